"""What a unit's earlier nights say of a run that opens: the cycles behind the last known step, and how its figures scatter on this rig.

The store may hold nights of other rigs, by other methods, or that nobody can read: each is left out, counted, and said.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec
import numpy as np

from nightturn.errors import RunNotFoundError, fault
from nightturn.estimation.figures import FIGURES
from nightturn.fixture.stream import RunSettings
from nightturn.model.facts import RunOpened
from nightturn.storage.stored import stored_at
from nightturn.storage.summaries import UNIT_UNKNOWN, known_units
from nightturn.trend.earlier import ALONE, Earlier, first_night, unreadable
from nightturn.trend.fits import Point
from nightturn.trend.following import DIRECTIONS, POINTS_MAX
from nightturn.trend.learning import VariantSlope
from nightturn.trend.series import FOLLOWED, Series
from nightturn.trend.watch import known_before, mountings_asked
from nightturn.trend.wording import slope_text
from nightturn.unit_history.life import (
    COLUMNS,
    Life,
    Step,
    life,
    mountings_before,
    only_mounted,
    what_changed,
)
from nightturn.unit_history.nights import Night, Place, nights_of, place_of
from nightturn.unit_history.usable import counted
from nightturn.unit_history.variant import slopes_of_variant

NIGHTS_MAX = 100
"""Newest runs of the unit that are read: work and rows at the opening of a run are bounded."""
CYCLES_MAX = POINTS_MAX // 2
"""Of each direction: as many as a course is judged from, with room for a night's."""
REASONS_MAX = 20


def earlier_of(root: Path, opened: RunOpened) -> Earlier:
    """What is stored below a data root of the unit whose run opens; whatever is wrong with the store is said."""
    settings = RunSettings.of(opened)
    unit, place = settings.card.unit, place_of(settings)
    try:
        slopes = slopes_of_variant(root, settings.card.variant, unit, place.plan)
        found = _own_nights(root, opened, place, slopes)
    except Exception as error:  # noqa: BLE001 - a store that cannot be read keeps no run from opening
        return unreadable(unit, fault(error))
    said = "".join(f"; {slope_text(each)}" for each in slopes)
    return msgspec.structs.replace(found, said=f"{found.said}{said}", variant_slopes=slopes)


def _own_nights(root: Path, opened: RunOpened, place: Place, slopes: Sequence[VariantSlope]) -> Earlier:
    """What is stored of the unit itself."""
    unit = RunSettings.of(opened).card.unit
    try:
        nights, unread = nights_of(root, unit, COLUMNS, NIGHTS_MAX)
    except RunNotFoundError:
        return first_night(unit, _unknown(root))
    return earlier(life(unit, nights, unread), opened, place, slopes)


def earlier(found: Life, opened: RunOpened, place: Place, slopes: Sequence[VariantSlope] = ()) -> Earlier:
    """What a life says of the run that opens at a place; `slopes` are what a kelvin does to other units."""
    nights, steps = found.nights, list(found.steps)
    if not nights:
        return first_night(found.unit, _left_out(found.unknown))
    words = what_changed(nights[-1].place, place)
    if words:
        remount = only_mounted(nights[-1].place, place)
        steps.append(Step(found.strokes, opened.started_utc_ns, words, remount))
    every = [each for each in found.series if _as_now(found, each.figure)]
    here = () if words else _points_of(every, len(found.steps))
    points = {way: tuple(each for turning, each in here if turning == way) for way in DIRECTIONS}
    kept = {way: part[-CYCLES_MAX:] for way, part in points.items() if part}
    charts = _charts(every, mountings_before(steps), opened.watch_threshold, slopes)
    own = nights[-1].run == opened.run
    return Earlier(
        said=_said(found, place, steps, points, every if charts else ()),
        whole=not found.unknown,
        strokes=found.strokes,
        night=len(nights) - 1 if own else len(nights),
        points=kept,
        charts=charts,
    )


def _unknown(root: Path) -> str:
    """That runs may have been of any unit; empty where there are none."""
    try:
        units = known_units(stored_at(root))
    except RunNotFoundError:  # no such root
        return ""
    count = sum(each == UNIT_UNKNOWN for each in units.values())
    return f"; left out: {counted(count, 'run')} of which nobody can say whose they are" if count else ""


def _as_now(found: Life, figure: str) -> bool:
    return found.methods.get(figure) == FIGURES[figure].method


def _points_of(every: Sequence[Series], stretch: int) -> list[tuple[int, Point]]:
    """The cycles of a stretch with the figures that each has, in order of time, and which way each turned."""
    cycles: dict[tuple[int, int, int], list[tuple[Series, int]]] = {}
    for series in every:
        for at in np.flatnonzero(series.stretch == stretch).tolist():
            key = int(series.night[at]), int(series.cycle_no[at]), series.direction
            cycles.setdefault(key, []).append((series, at))
    made = [(way, _point(there)) for (_, _, way), there in cycles.items()]
    return sorted(made, key=lambda each: each[1].ts)


def _point(there: Sequence[tuple[Series, int]]) -> Point:
    values: list[float | None] = [None] * len(FOLLOWED)
    us = [0.0] * len(FOLLOWED)
    for series, at in there:
        place = FOLLOWED.index(series.figure)
        values[place], us[place] = float(series.value[at]), float(series.u[at])
    series, at = there[0]
    return Point(
        cycle_no=int(series.cycle_no[at]),
        ts=int(series.ts[at]),
        strokes=float(series.strokes[at]),
        degc=float(series.degc[at]),
        values=tuple(values),
        us=tuple(us),
        night=int(series.night[at]),
    )


def _charts(
    every: Sequence[Series], mountings: Sequence[int], threshold: float, slopes: Sequence[VariantSlope]
) -> Mapping[int, tuple[bytes, ...]]:
    found: dict[int, list[bytes]] = {}
    for series in every:
        chart = known_before(series, mountings, threshold, lambda: slopes)
        if chart is not None:
            own = found.setdefault(series.direction, [b""] * len(FOLLOWED))
            own[FOLLOWED.index(series.figure)] = msgspec.msgpack.encode(chart)
    return {way: tuple(each) for way, each in found.items()}


def _said(
    found: Life,
    place: Place,
    steps: Sequence[Step],
    points: Mapping[int, Sequence[Point]],
    every: Sequence[Series],
) -> str:
    """What is used and what is not; `every` are the series whose scatter is known from before."""
    used = sum(min(len(each), CYCLES_MAX) for each in points.values())
    beyond = sum(len(each) for each in points.values()) - used
    nights = {each.night for part in points.values() for each in part[-CYCLES_MAX:]}
    said = []
    if used:
        said.append(
            f"the watch goes on behind {counted(used, 'cycle')} of {counted(len(nights), 'earlier night')} on this mounting"
        )
    if every:
        mountings = mountings_before(steps)
        asked = max(len(mountings_asked(each, mountings)) for each in every)
        newest = f"the newest {asked} of " if asked < len(mountings) else ""
        mounted = counted(len(mountings), "earlier mounting")
        said.append(f"how its figures scatter is known from {newest}{mounted} on this rig")
    if not said:
        said.append(ALONE)
    if len(steps) > len(found.steps) and steps[-1].remount:
        said.append(f"a new level begins: {steps[-1].words}")
    elsewhere = [night for night in found.nights if not _on_this_rig(night, steps)]
    if elsewhere:
        cycles = sum(night.complete for night in elsewhere)
        why = next((step.words for step in reversed(steps) if not step.remount), "")
        said.append(
            f"not used: {counted(cycles, 'cycle')} of {counted(len(elsewhere), 'earlier night')} before ({why})"
        )
    others = [FIGURES[each].followed for each in found.methods if not _as_now(found, each)]
    if others:
        said.append(f"not used: {', '.join(others)}, made by an older or newer method")
    if beyond:
        said.append(f"not used: {counted(beyond, 'cycle')} before the newest {CYCLES_MAX} of each direction")
    return f"{found.unit} on {place.fixture}: {'; '.join(said)}{_left_out(found.unknown)}"


def _on_this_rig(night: Night, steps: Sequence[Step]) -> bool:
    """Whether nothing but remounts lies between a night and the run."""
    return all(step.remount or step.ts <= night.started_ts for step in steps)


def _left_out(unknown: Sequence[str]) -> str:
    if not unknown:
        return ""
    more = [f"and {len(unknown) - REASONS_MAX} more"] if len(unknown) > REASONS_MAX else []
    return f"; left out: {'; '.join([*unknown[:REASONS_MAX], *more])}"
