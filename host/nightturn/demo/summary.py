"""The table at the end of a demo night, as values and as text."""

import math
from collections import Counter
from collections.abc import Sequence

import msgspec

from nightturn.demo.night import Night
from nightturn.estimation.intervals import half_width
from nightturn.estimation.night import night_verdict
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.rows import EventRow, GapRow

HEAD = (
    "fixture",
    "unit",
    "cycles",
    "ripple N·m",
    "% rated",
    "cogging N·m",
    "friction N·m",
    "% rated",
    "zero drift",
    "gaps",
    "verdict",
)


class FixtureLine(msgspec.Struct, frozen=True):
    """One fixture's line: figures are those of its last complete cycle, ± U is the 95 % interval."""

    fixture: str
    unit: str
    run: str
    cycles: int
    cycles_complete: int
    ripple_pp_nm: tuple[float, float] | None
    ripple_pct_rated: float | None
    cogging_pp_nm: tuple[float, float] | None
    friction_nm: tuple[float, float] | None
    friction_pct_rated: float | None
    zero_drift_nm: float | None
    gaps: dict[str, dict[str, float]]
    verdict: str
    why: str
    stopped: str  # why motion was stopped last, empty when it never was


def lines(night: Night) -> list[FixtureLine]:
    """One line per fixture of the rig, in its order."""
    return [_line(night, settings.id) for settings in night.rig.fixture]


def _line(night: Night, fixture: str) -> FixtureLine:
    cycles = night.tally.cycles.get(fixture, [])
    complete = [cycle for cycle in cycles if cycle.status == OK]
    last = complete[-1] if complete else None
    state = night.tally.states.get(fixture)
    verdict, why = night_verdict(cycles)
    return FixtureLine(
        fixture=fixture,
        unit=state.unit if state is not None else "",
        run=night.run_ids[fixture],
        cycles=len(cycles),
        cycles_complete=len(complete),
        ripple_pp_nm=_interval(last, "ripple_pp_nm"),
        ripple_pct_rated=_value(last, "ripple_pct_rated"),
        cogging_pp_nm=_interval(last, "cogging_pp_nm"),
        friction_nm=_interval(last, "friction_nm"),
        friction_pct_rated=_value(last, "friction_pct_rated"),
        zero_drift_nm=_drift(complete),
        gaps=_gaps(night.tally.gaps.get(fixture, [])),
        verdict=verdict,
        why=why,
        stopped=_stopped(night.tally.events.get(fixture, [])),
    )


def _stopped(rows: Sequence[EventRow]) -> str:
    return next((row.detail for row in reversed(rows) if row.kind == "motion_stopped"), "")


def _figure(cycle: CycleRecord | None, name: str) -> Figure | None:
    if cycle is None:
        return None
    figure = cycle.figure(name)
    return figure if figure.value is not None else None


def _value(cycle: CycleRecord | None, name: str) -> float | None:
    figure = _figure(cycle, name)
    return figure.value if figure is not None else None


def _interval(cycle: CycleRecord | None, name: str) -> tuple[float, float] | None:
    figure = _figure(cycle, name)
    if figure is None or figure.value is None:
        return None
    return figure.value, half_width(figure) or 0.0


def _drift(complete: Sequence[CycleRecord]) -> float | None:
    zeros = [value for cycle in complete if (value := _value(cycle, "zero_nm")) is not None]
    return zeros[-1] - zeros[0] if len(zeros) > 1 else None


def _gaps(rows: Sequence[GapRow]) -> dict[str, dict[str, float]]:
    counts: Counter[str] = Counter()
    missing: Counter[str] = Counter()
    seconds: dict[str, float] = {}
    for row in rows:
        counts[row.cause] += 1
        missing[row.cause] += row.n_missing
        seconds[row.cause] = seconds.get(row.cause, 0.0) + (row.ts_to - row.ts_from) / 1e9
    return {
        cause: {"count": counts[cause], "samples": missing[cause], "seconds": round(seconds[cause], 3)}
        for cause in sorted(counts)
    }


def rows(table: Sequence[FixtureLine]) -> list[tuple[str, ...]]:
    """The lines as text cells under `HEAD`."""
    return [
        (
            line.fixture,
            line.unit,
            f"{line.cycles_complete}/{line.cycles}",
            _pm(line.ripple_pp_nm),
            _pct(line.ripple_pct_rated),
            _pm(line.cogging_pp_nm),
            _pm(line.friction_nm),
            _pct(line.friction_pct_rated),
            "-" if line.zero_drift_nm is None else f"{line.zero_drift_nm * 1000:+.1f} mN·m",
            _gap_text(line.gaps),
            line.verdict,
        )
        for line in table
    ]


def _pm(pair: tuple[float, float] | None) -> str:
    """Value and ± U, both to the second significant digit of U, as the GUM (JCGM 100:2008, 7.2.6) has it."""
    if pair is None:
        return "-"
    value, half_width = pair
    if not half_width > 0:
        return f"{value:.4f}"
    digits = max(0, 1 - math.floor(math.log10(half_width)))
    return f"{value:.{digits}f} ± {half_width:.{digits}f}"


def _pct(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _gap_text(gaps: dict[str, dict[str, float]]) -> str:
    if not gaps:
        return "none"
    return ", ".join(f"{int(gap['count'])} {cause} ({gap['seconds']:.0f} s)" for cause, gap in gaps.items())
