"""The table at the end of a demo night, as values and as text."""

import math
from collections import Counter
from collections.abc import Sequence

import msgspec

from nightturn.demo.night import Night
from nightturn.errors import RunNotFoundError
from nightturn.estimation.budget import WITH_TEMPERATURE, comparison
from nightturn.estimation.figures import FIGURES, ZERO
from nightturn.estimation.intervals import bands_text, half_width, marked
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import INTERVAL_IS, OK, CycleRecord, Figure
from nightturn.model.nights import NightVerdict
from nightturn.model.quantities import fixed, interval
from nightturn.model.rows import EventRow, GapRow
from nightturn.sentences.purpose import purpose_text
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import usable_manifest
from nightturn.unit_history.account import Account, account_of
from nightturn.unit_history.headline import beside_text, headline

SHORT = tuple(spec for spec in FIGURES.values() if spec.heading and not spec.of_rated)
"""The figures whose bands are said: each once, in N·m."""


class FixtureLine(msgspec.Struct, frozen=True):
    """One fixture's line.

    `figures` are those of its last complete cycle, by name: value and ± U of the 95 % interval, None without a value; `kind`
    is what these ± hold, empty without a cycle, `bands` which orders the waveforms contain. `statuses` has the word of each figure
    that is not ok.
    `course` is what changed over the night and since when, or how far a limit is off; `beside` is what was turned beside its cycles.
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
    night_verdict: NightVerdict | None
    stopped: str  # why motion was stopped last, empty when it never was
    kind: str = ""
    course: str = ""
    statuses: dict[str, str] = {}
    bands: str = ""
    beside: str = ""


def lines(night: Night) -> list[FixtureLine]:
    """One line per fixture of the rig, in its order."""
    return [_line(night, settings.id) for settings in night.rig.fixture]


def _line(night: Night, fixture: str) -> FixtureLine:
    cycles = night.tally.cycles.get(fixture, [])
    complete = [cycle for cycle in cycles if cycle.status == OK]
    last = complete[-1] if complete else None
    state = night.tally.states.get(fixture)
    told = _told(night, state.unit) if state is not None and state.unit else None
    return FixtureLine(
        fixture=fixture,
        unit=state.unit if state is not None else "",
        run=night.run_ids[fixture],
        cycles=len(cycles),
        cycles_complete=len(complete),
        figures={name: _interval(last, name) for name in FIGURES},
        zero_drift_nm=_drift(complete),
        gaps=_gaps(night.tally.gaps.get(fixture, [])),
        night_verdict=_verdict(night, fixture),
        stopped=_stopped(night.tally.events.get(fixture, [])),
        kind=last.kind if last is not None else "",
        course=headline(told) if told is not None and complete else "",
        beside=beside_text(told.beside, told.park_stops) if told is not None else "",
        statuses={each.name: each.status for each in last.figures if each.status != OK} if last else {},
        bands=bands_text((spec.heading, last.figure(spec.name)) for spec in SHORT) if last else "",
    )


def _told(night: Night, unit: str) -> Account | None:
    """The unit's life; None where nothing of it is stored."""
    try:
        return account_of(night.root, unit)
    except RunNotFoundError:
        return None


def _verdict(night: Night, fixture: str) -> NightVerdict | None:
    """What all cycles say together, as the run's manifest has it; None without a manifest."""
    manifest = usable_manifest(RealFiles(night.root), fixture, night.run_ids[fixture])
    return manifest.night_verdict if manifest is not None else None


def _stopped(rows: Sequence[EventRow]) -> str:
    return next((row.detail for row in reversed(rows) if row.kind == "motion_stopped"), "")


def _interval(cycle: CycleRecord | None, name: str) -> tuple[float, float | None] | None:
    if cycle is None:
        return None
    figure = cycle.figure(name)
    return None if figure.value is None else (figure.value, half_width(figure))


def _drift(complete: Sequence[CycleRecord]) -> tuple[float, float | None] | None:
    zeros = [zero for cycle in complete if (zero := cycle.figure(ZERO)).status == OK]
    if len(zeros) < 2:
        return None
    first, last = _without_temperature(zeros[0]), _without_temperature(zeros[-1])
    assert first.value is not None
    assert last.value is not None
    if not first.budget or not last.budget:
        return last.value - first.value, None
    drift, u, nu = comparison(last, first)
    return drift, coverage_factor(nu) * u


def _without_temperature(zero: Figure) -> Figure:
    """What temperature does to zero is a part of its drift, and no error of it."""
    kept = tuple(line for line in zero.budget if line.name not in WITH_TEMPERATURE)
    return msgspec.structs.replace(zero, budget=kept)


def heading(line: FixtureLine) -> str:
    """Over a fixture's rows: which one, with which unit, what its ± hold, and which orders its waveforms contain."""
    said = f"{line.fixture} with {line.unit}" if line.unit else line.fixture
    if line.kind:
        said += f"; {INTERVAL_IS[line.kind]}"
    return f"{said}; {line.bands}" if line.bands else said


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
        (
            spec.heading,
            marked(_figure_text(spec.unit, line.figures[spec.name]), line.statuses.get(spec.name, OK)),
        )
        for spec in FIGURES.values()
        if spec.heading
    ]
    return [
        ("cycles", f"{line.cycles_complete} of {line.cycles} complete"),
        *([("beside cycles", line.beside)] if line.beside else []),
        *figures,
        ("zero drift", _figure_text("N·m", line.zero_drift_nm)),
        ("gaps", _gap_text(line.gaps)),
        *_verdict_rows(line.night_verdict),
        *([("course", line.course)] if line.course else []),
        *([("motion stopped", line.stopped)] if line.stopped and not line.cycles_complete else []),
    ]


def _verdict_rows(verdict: NightVerdict | None) -> list[tuple[str, str]]:
    if verdict is None:
        return [("verdict", "none")]
    return [
        ("verdict", verdict.word),
        *(("because", reason) for reason in verdict.reasons),
        *(("would decide", text) for text in verdict.would_decide),
        *([("decision rule", verdict.rule)] if verdict.rule else []),
        ("purpose", purpose_text(verdict)),
    ]


def _figure_text(unit: str, pair: tuple[float, float | None] | None) -> str:
    if pair is None:
        return "none"
    value, wide = pair
    return interval(value, math.inf if wide is None else wide, unit)


def _gap_text(gaps: dict[str, dict[str, float]]) -> str:
    if not gaps:
        return "none"
    return ", ".join(
        f"{int(gap['count'])} {cause} ({fixed(gap['seconds'], 0)} s)" for cause, gap in gaps.items()
    )
