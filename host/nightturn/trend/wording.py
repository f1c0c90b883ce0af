"""Sentences on the course of a figure, from facts; numbers with their unit and interval, times by the bench's clocks."""

from collections.abc import Callable, Sequence

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.quantities import fixed, interval, number, quantity
from nightturn.model.trends import Warmed
from nightturn.trend.change_point import LEAST, VALUES_MIN, Change, Found, Kind
from nightturn.trend.course import Course
from nightturn.trend.learning import VariantSlope
from nightturn.trend.settled import NS_PER_H
from nightturn.trend.slope import Axis, Slope
from nightturn.trend.temperature import Equilibrium, NoTemperatureModel, TemperatureModel
from nightturn.trend.temperature_curves import Kind as Curve
from nightturn.trend.time_to_limit import TimeToLimit, by_the_clock, words
from nightturn.trend.watch import Watched

NO_CHANGE = "no step or ramp began"
NOTHING_JUDGED = "whether it changes is not judged yet: too few cycles of a warm unit"
CLOCK_H = 20
"""Of a set that is shorter than so many hours the times of day say enough."""
MINUTE, DAY = 16, 10
"""Characters of a moment up to the minute, and up to the day."""
Moment = Callable[[int], str]
"""ns since 1970 UTC by the bench's clocks, as `model.clocks.clock_text` writes it."""


def short(moment: str) -> str:
    """`2026-11-28 02:47 +00:00` of a moment to the second."""
    return f"{moment[:MINUTE]}{moment[MINUTE + 3 :]}"


def change_text(course: Course, moment: Moment) -> tuple[str, ...]:
    """The changes since the last known step, the first one first, each as `changed_text`; or that none could be looked for."""
    if not course.found:
        count = len(course.values)
        few = f"no change looked for: {count} values, {VALUES_MIN} are wanted"
        return (few,) if count < VALUES_MIN else ()
    first, *more = (changed_text(course, each, moment) for each in course.found)
    return (first, *(f"then {each}" for each in more))


def changed_text(course: Course, found: Found, moment: Moment) -> str:
    """`stepped up 2026-11-28 02:47 +00:00 at stroke 4100 (90 %: 02:41 to 02:52, strokes 4020 to 4180, cycles 251 to 263), from 88.7 to 91.2 mN·m`.

    Where the evidence does not decide between step and ramp both are there.
    """
    change, unit = found.change, course.series.unit
    levels = f"from {quantity(change.before, unit)} to {quantity(change.after, unit, beside=change.before)}"
    text = f"{_since(course, change, moment)}, {levels}"
    if found.other is None:
        return text
    return f"{text}; or {_since(course, found.other, moment)}: step or ramp is not decided"


def _since(course: Course, change: Change, moment: Moment) -> str:
    """How it goes since when, with the 90 % set in clock time, strokes and cycles."""
    series = course.series
    at, low, high = course.spanned(change)
    begin = DAY + 1 if high - low < CLOCK_H * NS_PER_H else 0
    between = [" to ".join(short(moment(each))[begin:MINUTE] for each in (low, high))]
    first, last = course.places(change)
    stroke = ""
    if course.axis is Axis.STROKES:
        stroke = f" at stroke {fixed(series.strokes[change.at], 0)}"
        between.append(f"strokes {fixed(series.strokes[first], 0)} to {fixed(series.strokes[last], 0)}")
    if series.night[first] == series.night[last]:
        between.append(f"cycles {series.cycle_no[first]} to {series.cycle_no[last]}")
    goes = {
        (Kind.STEP, True): "stepped up",
        (Kind.STEP, False): "stepped down",
        (Kind.BEND, True): "rises since",
        (Kind.BEND, False): "falls since",
    }[change.kind, change.after > change.before]
    text = f"{goes} {short(moment(at))}{stroke} (90 %: {', '.join(between)})"
    early = change.kind is Kind.BEND and change.places[0] <= LEAST
    return f"{text}, or since before that" if early else text


def course_text(
    course: Course, limits: Sequence[TimeToLimit], hourly: Sequence[TimeToLimit] = ()
) -> tuple[str, ...]:
    """How it goes on, what temperature has to do with it, and the limits ahead: along strokes, and by the clock too where those are not hours."""
    unit = course.series.unit
    going = [words(each, unit) for each in limits] if limits else [words(course.slope, unit)]
    if course.by_hours is not course.slope and isinstance(course.by_hours, Slope):
        by_hours = hourly or (course.by_hours,)
        going += [text for each in by_hours if (text := by_the_clock(each, unit))]
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


def watch_text(found: Watched, moment: Moment) -> str:
    """When the watch told of a change, or why it would not."""
    if found.ts is not None:
        return f"seen by the watch at {short(moment(found.ts))}"
    return found.why_not or "watched, nothing seen"


def temperature_text(found: Equilibrium | None) -> str:
    """Whether the temperature stood still at the end; empty where nobody knows."""
    if found is None or found.range_k_per_h is None:
        return ""
    rate = f"{quantity(found.range_k_per_h, 'K', digits=2)} in the last hour"
    return f"at the end the temperature {'stood still' if found.settled else 'still moved'}: {rate}"


def slope_text(known: VariantSlope) -> str:
    """`a kelvin adds -0.80 ± 0.15 % to friction, by 5 other units of the variant`."""
    half = coverage_factor(known.nu) * known.u
    size = interval(100 * known.per_k, 100 * half, "%")
    return f"a kelvin adds {size} to {FIGURES[known.figure].followed}, by {known.units} other units of the variant"


def _ranks(course: Course) -> list[str]:
    """A second opinion that asks nothing of the shape of the noise, where it differs from the line's."""
    if course.ranks is None or not isinstance(course.slope, Slope):
        return []
    line = abs(course.slope.slope) > course.slope.half_width
    if line == course.ranks.significant:
        return []
    return [f"by ranks there is {'no' if line else 'a'} trend (p = {number(course.ranks.p, 2)})"]


def _temperature(course: Course) -> list[str]:
    unit, said = course.series.unit, list[str]()
    if isinstance(course.model, TemperatureModel):
        said.append(_learned(course.model, unit))
    elif course.warmed is not None:
        said.append(warmed_text(course.warmed, unit))
    elif course.beside:
        said.append("temperature is fitted as a line beside it")
    said += [words(course.model, unit)] if isinstance(course.model, NoTemperatureModel) else []
    if course.hidden:
        said.append(
            f"changes of less than {quantity(course.doubt, unit, digits=2)} may be the temperature's and are not counted"
        )
    return said


def warmed_text(found: Warmed, unit: str) -> str:
    """`without temperature, −0.10 ± 0.02 mN·m per kelvin: it explains 0.20 mN·m rms, 0.10 left`."""
    explained, left = (quantity(size, unit, digits=2) for size in (found.explained, found.left))
    if not found.seen:
        return f"temperature explains nothing of it, {left} rms left"
    size = interval(found.per_k, found.half, unit)
    return f"without temperature, {size} per kelvin: it explains {explained} rms, {left} left"


def _learned(model: TemperatureModel, unit: str) -> str:
    """What temperature explains, and by what that is known."""
    if model.curve.kind is Curve.NONE:
        return "temperature explains nothing of it"
    explained = quantity(model.explained, unit)
    left = quantity(model.left, unit, beside=model.explained)
    how = f", by {model.units} other units of the variant" if model.units else ""
    return f"without what temperature explains ({explained} rms of the baseline, {left} left{how})"
