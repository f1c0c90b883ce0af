"""The table at the end of a demo night, as values and as text."""

import math
from collections import Counter
from collections.abc import Sequence

import msgspec

from nightturn.calibration.records import from_settings
from nightturn.demo.night import Night
from nightturn.demo.scenario import CARDS
from nightturn.estimation.figures import FIGURES, ZERO
from nightturn.estimation.intervals import half_width
from nightturn.estimation.night_verdict import Night as Together
from nightturn.fixture.stream import accept_limits
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.quantities import interval
from nightturn.model.rows import EventRow, GapRow
from nightturn.settings.load import load_variant


class FixtureLine(msgspec.Struct, frozen=True):
    """One fixture's line.

    `figures` are those of its last complete cycle, by name: value and ± U of the 95 % interval, None without a value.
    `zero_drift_nm` is the same of the difference between the last cycle's zero and the first one's.
    """

    fixture: str
    unit: str
    run: str
    cycles: int
    cycles_complete: int
    figures: dict[str, tuple[float, float | None] | None]
    zero_drift_nm: tuple[float, float | None] | None
    gaps: dict[str, dict[str, float]]
    night_verdict: NightVerdict
    stopped: str  # why motion was stopped last, empty when it never was


def lines(night: Night) -> list[FixtureLine]:
    """One line per fixture of the rig, in its order."""
    return [_line(night, settings.id) for settings in night.rig.fixture]


def _line(night: Night, fixture: str) -> FixtureLine:
    cycles = night.tally.cycles.get(fixture, [])
    complete = [cycle for cycle in cycles if cycle.status == OK]
    last = complete[-1] if complete else None
    state = night.tally.states.get(fixture)
    return FixtureLine(
        fixture=fixture,
        unit=state.unit if state is not None else "",
        run=night.run_ids[fixture],
        cycles=len(cycles),
        cycles_complete=len(complete),
        figures={name: _interval(last, name) for name in FIGURES},
        zero_drift_nm=_drift(complete),
        gaps=_gaps(night.tally.gaps.get(fixture, [])),
        night_verdict=_verdict(night, fixture, cycles),
        stopped=_stopped(night.tally.events.get(fixture, [])),
    )


def _verdict(night: Night, fixture: str, cycles: Sequence[CycleRecord]) -> NightVerdict:
    """What all cycles say together; a night of the demo ends by the clock, so what it has finished is what was planned."""
    settings = next(each for each in night.rig.fixture if each.id == fixture)
    accept = accept_limits(load_variant(night.bench.parent, CARDS[fixture].variant))
    together = Together()
    for cycle in cycles:
        together.add(cycle, accept)
    return together.verdict(accept, len(cycles), from_settings(settings.transducer).u_factor_rel)


def _stopped(rows: Sequence[EventRow]) -> str:
    return next((row.detail for row in reversed(rows) if row.kind == "motion_stopped"), "")


def _interval(cycle: CycleRecord | None, name: str) -> tuple[float, float | None] | None:
    if cycle is None:
        return None
    figure = cycle.figure(name)
    return None if figure.value is None else (figure.value, half_width(figure))


def _drift(complete: Sequence[CycleRecord]) -> tuple[float, float | None] | None:
    zeros = [pair for cycle in complete if (pair := _interval(cycle, ZERO)) is not None]
    if len(zeros) < 2:
        return None
    (first, first_wide), (last, last_wide) = zeros[0], zeros[-1]
    if first_wide is None or last_wide is None:
        return last - first, None
    return last - first, math.hypot(first_wide, last_wide)  # two cycles share no samples


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


def rows(line: FixtureLine) -> list[tuple[str, str]]:
    """A fixture's line as names and values for people; a figure in per cent of rated torque follows the same in N·m."""
    figures = [
        (spec.heading, _figure_text(spec.unit, line.figures[spec.name]))
        for spec in FIGURES.values()
        if spec.heading
    ]
    return [
        ("cycles", f"{line.cycles_complete} of {line.cycles} complete"),
        *figures,
        ("zero drift", _figure_text("N·m", line.zero_drift_nm)),
        ("gaps", _gap_text(line.gaps)),
        ("verdict", line.night_verdict.word),
        *(("because", reason) for reason in line.night_verdict.reasons),
        *(("would decide", text) for text in line.night_verdict.would_decide),
        *([("motion stopped", line.stopped)] if line.stopped and not line.cycles_complete else []),
    ]


def _figure_text(unit: str, pair: tuple[float, float | None] | None) -> str:
    if pair is None:
        return "none"
    value, wide = pair
    return interval(value, math.inf if wide is None else wide, unit)


def _gap_text(gaps: dict[str, dict[str, float]]) -> str:
    if not gaps:
        return "none"
    return ", ".join(f"{int(gap['count'])} {cause} ({gap['seconds']:.0f} s)" for cause, gap in gaps.items())
