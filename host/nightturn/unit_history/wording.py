"""Sentences on the course of a figure, from facts; numbers with their unit and interval, times by the bench's clocks."""

from collections.abc import Sequence

from nightturn.model.quantities import fixed, interval, number, quantity
from nightturn.storage.zones import local_text
from nightturn.trend.change_point import LEAST, VALUES_MIN, Kind
from nightturn.trend.slope import Slope
from nightturn.trend.temperature import Equilibrium, NoTemperatureModel, TemperatureModel
from nightturn.trend.temperature_curves import Kind as Curve
from nightturn.trend.time_to_limit import TimeToLimit, words
from nightturn.unit_history.course import Course
from nightturn.unit_history.settled import NS_PER_H
from nightturn.unit_history.watch import Watched

NO_CHANGE = "no step or ramp began"
NOTHING_JUDGED = "nothing judged yet: too few cycles of a warm unit"
CLOCK_H = 20
"""Of a set that is shorter than so many hours the times of day say enough."""
MINUTE, DAY = 16, 10
"""Characters of a moment up to the minute, and up to the day."""


def moment_text(ts: int, zone: str) -> str:
    """`2026-11-28 02:47 +00:00`."""
    text = local_text(ts, zone)
    return f"{text[:MINUTE]}{text[MINUTE + 3 :]}"


def change_text(course: Course, zone: str) -> tuple[str, ...]:
    """The first change since the last known step, with the times between which it lies, and how many there are behind it."""
    if course.when is None:
        count = len(course.values)
        few = f"no change looked for: {count} values, {VALUES_MIN} are wanted"
        return (few,) if count < VALUES_MIN else ()
    first, series = course.found[0].change, course.series
    unit, ts = series.unit, series.ts.tolist()
    at, low, high = course.when
    begin = DAY + 1 if high - low < CLOCK_H * NS_PER_H else 0
    between = " to ".join(moment_text(each, zone)[begin:MINUTE] for each in (low, high))
    goes = {
        (Kind.STEP, True): "stepped up",
        (Kind.STEP, False): "stepped down",
        (Kind.BEND, True): "rises since",
        (Kind.BEND, False): "falls since",
    }[first.kind, first.after > first.before]
    since = moment_text(at, zone)
    text = f"{goes} {since} (90 %: {between}; stroke {fixed(series.strokes[first.at], 0)})"
    if first.kind is Kind.BEND and first.places[0] <= LEAST:
        text += ", or since before that"
    ways = f", from {quantity(first.before, unit)} to {quantity(first.after, unit, beside=first.before)}"
    said = [text + ways]
    if course.found[0].other is not None:
        said.append("whether it is a step or a ramp is not decided")
    if len(course.found) > 1:
        last = course.found[-1].change
        count = len(course.found) - 1
        what = "one more change" if count == 1 else f"{count} more changes"
        said.append(f"{what} behind it, the last at {moment_text(ts[last.at], zone)}")
    return tuple(said)


def course_text(course: Course, limits: Sequence[TimeToLimit]) -> tuple[str, ...]:
    """How it goes on, what temperature has to do with it, and the limits ahead."""
    unit = course.series.unit
    going = [words(each, unit) for each in limits] if limits else [words(course.slope, unit)]
    if course.found and isinstance(course.slope, Slope):
        going[0] = f"since the last change: {going[0]}"
    return (*going, *_ranks(course), *_temperature(course))


def level_text(course: Course) -> str:
    """`88.70 ± 0.12 mN·m`, or that it is not known."""
    if course.level is None:
        return "not known"
    return interval(*course.level, course.series.unit)


def left_out_text(course: Course) -> str:
    """Which cycles are not judged, and why; empty where all are."""
    said = []
    if course.warming:
        said.append(f"{course.warming} while the temperature moved")
    if course.outside is not None:
        count, worst = course.outside
        said.append(f"{count} {words(worst, course.series.unit)}")
    return ", ".join(said)


def watch_text(found: Watched, zone: str) -> str:
    """When the watch told of a change, or why it would not."""
    if found.ts is not None:
        return f"seen by the watch at {moment_text(found.ts, zone)}"
    return found.why_not or "watched, nothing seen"


def temperature_text(found: Equilibrium | None) -> str:
    """Whether the temperature stood still at the end; empty where nobody knows."""
    if found is None or found.range_k_per_h is None:
        return ""
    rate = f"{quantity(found.range_k_per_h, 'K', digits=2)} in the last hour"
    return f"at the end the temperature {'stood still' if found.settled else 'still moved'}: {rate}"


def _ranks(course: Course) -> list[str]:
    """A second opinion that asks nothing of the shape of the noise, where it differs from the line's."""
    if course.ranks is None or not isinstance(course.slope, Slope):
        return []
    line = abs(course.slope.slope) > course.slope.half_width
    if line == course.ranks.significant:
        return []
    return [f"by ranks there is {'no' if line else 'a'} trend (p = {number(course.ranks.p, 2)})"]


def _temperature(course: Course) -> list[str]:
    unit = course.series.unit
    if isinstance(course.model, TemperatureModel):
        curve, model = course.model.curve, course.model
        if curve.kind is Curve.NONE:
            return ["temperature explains nothing of it"]
        explained = quantity(model.explained, unit)
        left = quantity(model.left, unit, beside=model.explained)
        return [f"without what temperature explains ({explained} rms of the baseline, {left} left)"]
    said = ["temperature is fitted as a line beside it"] if course.beside else []
    said += [words(course.model, unit)] if isinstance(course.model, NoTemperatureModel) else []
    if course.hidden:
        said.append(
            f"changes of less than {quantity(course.doubt, unit, digits=2)} may be the temperature's and are not counted"
        )
    return said
