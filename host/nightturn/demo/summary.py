"""The table at the end of a demo night, as values and as text."""

import math
from collections import Counter
from collections.abc import Sequence

import msgspec

from nightturn.demo.night import Night
from nightturn.estimation.figures import FIGURES, ZERO, FigureSpec
from nightturn.estimation.intervals import half_width
from nightturn.estimation.night_verdict import night_verdict
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.rows import EventRow, GapRow


class FixtureLine(msgspec.Struct, frozen=True):
    """One fixture's line.

    `figures` are those of its last complete cycle, by name: value and ± U of the 95 % interval, None without a value.
    """

    fixture: str
    unit: str
    run: str
    cycles: int
    cycles_complete: int
    figures: dict[str, tuple[float, float | None] | None]
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
        figures={name: _interval(last, name) for name in FIGURES},
        zero_drift_nm=_drift(complete),
        gaps=_gaps(night.tally.gaps.get(fixture, [])),
        verdict=verdict,
        why=why,
        stopped=_stopped(night.tally.events.get(fixture, [])),
    )


def _stopped(rows: Sequence[EventRow]) -> str:
    return next((row.detail for row in reversed(rows) if row.kind == "motion_stopped"), "")


def _interval(cycle: CycleRecord | None, name: str) -> tuple[float, float | None] | None:
    if cycle is None:
        return None
    figure = cycle.figure(name)
    return None if figure.value is None else (figure.value, half_width(figure))


def _drift(complete: Sequence[CycleRecord]) -> float | None:
    zeros = [value for cycle in complete if (value := cycle.figure(ZERO).value) is not None]
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


def _headed() -> list[FigureSpec]:
    """The figures that have a column."""
    return [spec for spec in FIGURES.values() if spec.heading]


def head() -> tuple[str, ...]:
    """What stands above each column."""
    figures = (spec.heading for spec in _headed())
    return ("fixture", "unit", "cycles", *figures, "zero drift", "gaps", "verdict")


def rows(table: Sequence[FixtureLine]) -> list[tuple[str, ...]]:
    """The lines as text cells under `head`."""
    return [
        (
            line.fixture,
            line.unit,
            f"{line.cycles_complete}/{line.cycles}",
            *(_cell(spec, line.figures[spec.name]) for spec in _headed()),
            "-" if line.zero_drift_nm is None else f"{line.zero_drift_nm * 1000:+.1f} mN·m",
            _gap_text(line.gaps),
            line.verdict,
        )
        for line in table
    ]


def _cell(spec: FigureSpec, pair: tuple[float, float | None] | None) -> str:
    """Of rated torque without ±: its interval is that of the column in N·m beside it."""
    if spec.of_rated and pair is not None:
        return f"{pair[0]:.2f}"
    return _pm(pair)


def _pm(pair: tuple[float, float | None] | None) -> str:
    """Value and ± U, both to the second significant digit of U, as the GUM (JCGM 100:2008, 7.2.6) has it."""
    if pair is None:
        return "-"
    value, wide = pair
    if not wide:
        return f"{value:.4f}"
    digits = max(0, 1 - math.floor(math.log10(wide)))
    return f"{value:.{digits}f} ± {wide:.{digits}f}"


def _gap_text(gaps: dict[str, dict[str, float]]) -> str:
    if not gaps:
        return "none"
    return ", ".join(f"{int(gap['count'])} {cause} ({gap['seconds']:.0f} s)" for cause, gap in gaps.items())
