"""The life of a unit as lines and tables."""

from collections.abc import Sequence
from itertools import groupby

from nightturn.logbook.wording import outcome_text, tally_text, what_text
from nightturn.model.quantities import fixed, number, round_to_digits, scientific, span
from nightturn.storage.zones import local_text
from nightturn.trend.damage import Damage
from nightturn.trend.wording import short
from nightturn.unit_history.account import Account, CourseLine
from nightturn.unit_history.findings import Findings
from nightturn.unit_history.headline import beside_text
from nightturn.unit_history.load import LoadLine
from nightturn.unit_history.load_temperature import TemperatureLine
from nightturn.unit_history.rolling import RolledLine

NIGHTS = ("started", "fixture", "cycles", "strokes", "verdict")
RANGES = ("range", "cycles")
TURNING = {1: "+", -1: "−"}
UNKNOWN = "unknown"
COURSE_INTERVAL = "± of a course and of its slope is repeatability, 95 %: what the calibration leaves open is common to all its values"
NO_CYCLE = "no figure has a value that can be followed"


def head(found: Account) -> list[str]:
    """Who it is, and how much it has done."""
    nights, known = len(found.nights), sum(night.strokes is not None for night in found.nights)
    done = f"{found.strokes} strokes, {number(found.revolutions, 3)} turns by plan"
    if known < nights:
        done = (
            f"{done} in {known} of them; of the rest nothing is known"
            if known
            else "strokes and turns not known"
        )
    done = f"{nights} night{'' if nights == 1 else 's'}, {done}"
    hours = ", ".join(
        f"{fixed(h, 1)} h "
        + ("without a temperature" if low is None else f"at {number(low)} to {number(low + 5)} °C")
        for low, h in found.hours_at
    )
    lines = [f"{found.unit}: {done}"]
    if hours:
        lines.append(f"in cycles: {hours}" + (f"; {found.temperature}" if found.temperature else ""))
    beside = beside_text(found.beside, found.park_stops)
    lines += [f"beside cycles: {beside}"] if beside else []
    lines += [f"not counted: {each}" for each in found.unknown]
    if not any(line.cycles for line in found.courses):
        left = {line.left_out for line in found.courses if line.left_out}
        lines.append(NO_CYCLE + (f"; left out, of each direction: {max(left)}" if left else ""))
    else:
        lines.append(COURSE_INTERVAL)
    return lines


def night_rows(found: Account) -> list[tuple[str, ...]]:
    """A row for each night."""
    return [
        (
            short(local_text(night.started_ts, found.timezone)),
            night.fixture,
            UNKNOWN if night.strokes is None else f"{night.complete} of {night.cycles}",
            UNKNOWN if night.strokes is None else f"{night.strokes} of {night.strokes_planned}",
            ", ".join(each for each in (night.verdict, night.purpose) if each) or "none",
        )
        for night in found.nights
    ]


def step_rows(found: Account) -> list[tuple[str, str]]:
    """A row for each known step."""
    return [
        (short(local_text(step.ts, found.timezone)), f"{step.words} (stroke {step.strokes})")
        for step in found.steps
    ]


def course_tables(found: Account) -> list[tuple[str, list[tuple[str, str]]]]:
    """A title and rows for each figure; a row for each direction of turning, then its sentences."""
    out = []
    for title, lines in groupby(found.courses, key=lambda each: each.title):
        rows: list[tuple[str, str]] = []
        for line in lines:
            rows += _rows(line)
        out.append((title, rows))
    return out if any(line.cycles for line in found.courses) else []


def _rows(line: CourseLine) -> list[tuple[str, str]]:
    judged = f"{line.level_text}, {line.cycles} cycles judged"
    left = f"; left out: {line.left_out}" if line.left_out else ""
    return [
        (f"turning {TURNING[line.direction]}", judged + left),
        *(("", text) for text in (*line.said, line.watch_text)),
    ]


def cause_rows(found: Account) -> list[tuple[str, str]]:
    """What the first change is consistent with, and others that say something else, each with its figure and when it was."""
    rows = [("", text) for text in found.causes]
    told = {line.names for line in found.asked[:1]}
    for line in found.asked[1:]:
        if line.names in told:
            continue
        told.add(line.names)
        when = short(local_text(line.changed_ts, found.timezone))
        rows.append((f"{line.title} {TURNING[line.direction]}", f"change of {when}:"))
        rows += [("", text) for text in line.said]
    return rows


def finding_rows(found: Findings, zone: str) -> list[tuple[str, str]]:
    """What each tear-down found of what was predicted, what was done, and the counts; nothing where the logbook has nothing of the unit."""
    rows = []
    for each in found.outcomes:
        said = f": {each.text} ({each.by})" if each.text else f" ({each.by})" if each.by else ""
        rows.append((short(local_text(each.utc_ns, zone)), f"{outcome_text(each)}{said}"))
    for entry in found.interventions:
        said = f"{what_text(entry)}: {entry.text} ({entry.by})"
        rows.append((short(local_text(entry.utc_ns, zone)), said))
    if found.outcomes:
        of_all = f"{tally_text(found.of_all)}; torn down: {found.units}"
        rows += [("this unit", tally_text(found.tally)), ("all units", of_all)]
    return [*rows, *(("not read", f"{each}; counts may be too low") for each in found.unread)]


def rolled_tables(lines: Sequence[RolledLine]) -> list[tuple[str, list[tuple[str, str]]]]:
    """A title and rows for each series: a row for each direction of turning."""
    return [
        (f"{title}, indicative" if indicative else title, [_rolled_row(each) for each in rows])
        for (title, indicative), rows in groupby(lines, key=lambda each: (each.title, each.indicative))
    ]


def _rolled_row(line: RolledLine) -> tuple[str, str]:
    return f"turning {TURNING[line.estimate.direction]}", line.text


def load_rows(each: LoadLine) -> list[tuple[str, str]]:
    """What was carried, and what of it is damage."""
    rows = [
        ("samples", f"{fixed(each.hours, 1)} h" + (f", {each.missing} missing" if each.missing else "")),
        ("torque", span(each.torque_min_nm, each.torque_max_nm, "N·m")),
        ("overloads", f"rated torque reached {each.overloads} times"),
        ("strokes", f"{each.strokes} of exercise"),
        ("starts", f"{each.starts} behind a rest"),
    ]
    beside = beside_text(each.beside, each.park_stops)
    rows += [("beside cycles", beside)] if beside else []
    rows += [
        (f"{number(low, 3)} to {number(high, 3)} N·m", f"{number(hours, 3)} h")
        for low, high, hours in each.levels
    ]
    if each.against_first is not None:
        rows.append(("newest run", f"{_damage(each.against_first)} times the damage of the first one"))
    if each.damage is not None:
        rows.append(("Miner's sum", _damage(each.damage)))
    if each.repetitions is not None:
        rows.append(
            ("repetitions", f"{number(round_to_digits(each.repetitions, 2))} of all of it by that line")
        )
    return [*rows, *(("remark", text) for text in each.remarks)]


def temperature_rows(each: TemperatureLine) -> list[tuple[str, str]]:
    """Extremes, swings and hours of one place."""
    lacking = f", {each.missing} readings missing" if each.missing else ""
    rows = [
        ("measured", f"{fixed(each.hours, 1)} h, runs: {each.runs}{lacking}"),
        ("temperature", span(each.lowest_degc, each.highest_degc, "°C")),
    ]
    rows += [(f"swings {_bounds(low, high, 'K')}", number(cycles, 9)) for low, high, cycles in each.cycles]
    return [
        *rows,
        *((_bounds(low, high, "°C"), f"{number(hours, 3)} h") for low, high, hours in each.levels),
    ]


def _bounds(low: float | None, high: float | None, unit: str) -> str:
    if low is None:
        assert high is not None  # there are classes in between
        return f"below {number(high, 3)} {unit}"
    return (
        f"{number(low, 3)} {unit} or more"
        if high is None
        else f"{number(low, 3)} to {number(high, 3)} {unit}"
    )


def _damage(found: Damage) -> str:
    return f"{scientific(found.value)} ({scientific(found.low)} to {scientific(found.high)})"


def range_rows(each: LoadLine) -> list[tuple[str, str]]:
    """A row for each class of range, the largest first."""
    return [
        (
            f"{number(low, 3)} N·m or more" if high is None else f"{number(low, 3)} to {number(high, 3)} N·m",
            number(cycles, 9),
        )
        for low, high, cycles in each.cycles
    ]
