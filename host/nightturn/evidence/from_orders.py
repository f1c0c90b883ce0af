"""Features of the order tables: families, bearing lines, other lines, a deviation at one angle, the angle of the pattern."""

from collections.abc import Callable, Sequence
from functools import partial

from nightturn.evidence.chances import NU_MAX
from nightturn.evidence.comparing import Change, Point, appeared, best_chance, combined
from nightturn.evidence.cycle_values import CycleValues, OrderValue
from nightturn.evidence.families import (
    NU_OF_LINE,
    SAME_LINE,
    SIDEBAND_MOST,
    amplitude,
    at_order,
    bearings_of,
    family_of,
    lcm_of,
    of_bearing,
)
from nightturn.evidence.features import (
    BEARING,
    COGGING,
    DEFECT,
    ELECTRICAL,
    LCM,
    NO_REFERENCE,
    OTHER_LINE,
    OTHER_RIG,
    POLES,
    REMOUNT,
    SHAFT,
    SIDE_LINES,
    SIDEBANDS,
    SLOTS,
    Feature,
)
from nightturn.evidence.from_pattern import pattern_angle, table_lacks, tilt
from nightturn.evidence.groups import COUNT_CHANCE, Groups, feature_of, unseen

COGGING_FAMILIES = (SLOTS, POLES, SIDEBANDS, SIDE_LINES, SHAFT)
FAMILY_MATTERS, LINE_MATTERS, LCM_MATTERS = 0.2, 0.05, 0.05
"""Smallest change of interest: of the cogging order, of the friction for a bearing, of itself (assumptions)."""
FAMILY_U = 0.01
"""What temperature and a resonance that is not quite the same change of a family by themselves, of its size (assumption)."""
REMOUNT_U = 0.02
"""What mounting a unit again changes of the cogging order by itself (common practice, no source)."""
SAME_ANGLE_DEG = 3.0
LISTED_MOST = 3
"""Lines that nothing declared has, and defects, looked at."""


def order_features(groups: Groups, friction: Feature) -> tuple[Feature, ...]:
    """Every feature that comes from orders; those of the rig are not compared across rigs."""
    cogging = _cogging_order(groups)
    size = cogging.before if cogging.seen else None
    matters = None if size is None else FAMILY_MATTERS * size
    line = LINE_MATTERS * abs(friction.before) if friction.seen else None
    return (
        cogging,
        tilt(groups),
        *(_family(groups, kind, matters) for kind in (*COGGING_FAMILIES, ELECTRICAL)),
        *_bearings(groups, line),
        *_other_lines(groups),
        *_defects(groups),
        pattern_angle(groups),
    )


def _feature(
    kind: str, change: Change | None, groups: Groups, matters: float | None, **more: object
) -> Feature:
    """A feature of what appears in some cycles; too few cycles cannot show that it does."""
    name = str(more.get("name", ""))
    at = more.get("at")
    if change is None:
        return unseen(kind, "no cycles to compare", name)
    if change.chance is not None and best_chance(len(groups.before), len(groups.now)) > COUNT_CHANCE:
        return unseen(kind, "too few cycles", name)
    return feature_of(kind, change, name=name, matters=matters, at=at if isinstance(at, float) else None)


def _cogging_order(groups: Groups) -> Feature:
    both = lcm_of(groups.declared)
    why = table_lacks(groups, LCM, both)
    if why:
        return unseen(LCM, why)
    before, now = (
        [at_order(each.cogging_orders, both, each.direction) for each in group]
        for group in (groups.before, groups.now)
    )
    change = appeared(before, now)
    if change is not None and {REMOUNT, OTHER_RIG} & {*groups.known}:
        u, nu = combined((change.u, change.nu), (REMOUNT_U * change.before, NU_MAX))
        change = change._replace(u=u, nu=nu)
    matters = None if change is None else LCM_MATTERS * change.before
    return _feature(LCM, change, groups, matters, at=float(both))


def _family(groups: Groups, kind: str, matters: float | None) -> Feature:
    if kind == SHAFT and OTHER_RIG in groups.known:
        return unseen(kind, "measured on another rig")
    declared = groups.declared
    both = lcm_of(declared)
    highest = {
        SLOTS: declared.slots,
        POLES: 2 * declared.pole_pairs,
        ELECTRICAL: declared.pole_pairs,
        SHAFT: 2,
    }
    why = table_lacks(groups, kind, highest.get(kind, both + SIDEBAND_MOST))
    if why:
        return unseen(kind, why)

    def own(order: OrderValue) -> bool:
        return family_of(round(order.order), declared) == kind

    before, now = (
        [
            amplitude(each.hold_orders if kind == ELECTRICAL else each.cogging_orders, own, each.direction)
            for each in group
        ]
        for group in (groups.before, groups.now)
    )
    change = appeared(before, now)
    if change is not None:
        u, nu = combined((change.u, change.nu), (FAMILY_U * change.before, NU_MAX))
        change = change._replace(u=u, nu=nu)
    return _feature(kind, change, groups, matters)


def _bearings(groups: Groups, matters: float | None) -> tuple[Feature, ...]:
    """A feature for each declared line of a bearing."""
    if OTHER_RIG in groups.known:
        return (unseen(BEARING, "measured on another rig"),)
    if not groups.declared.bearings:
        return (unseen(BEARING, "no bearing is declared"),)
    if not _lines_looked_for(groups):
        return (unseen(BEARING, "lines between whole orders were not looked for in every cycle"),)
    out = []
    for name, order in groups.declared.bearings:
        before, now = (
            [of_bearing(each, name, groups.declared) for each in group]
            for group in (groups.before, groups.now)
        )
        found = [
            first[name]
            for cycle in groups.now
            for each in cycle.lines or ()
            if name in (first := bearings_of(each.order, groups.declared.bearings))
        ]
        at = sum(found) / len(found) if found else order
        out.append(_feature(BEARING, appeared(before, now), groups, matters, name=name, at=at))
    return tuple(out)


def _lines_looked_for(groups: Groups) -> bool:
    cycles = (*groups.before, *groups.now)
    return bool(groups.before and groups.now) and all(each.lines is not None for each in cycles)


def _other_lines(groups: Groups) -> tuple[Feature, ...]:
    """Lines that no bearing has, the most frequent first; one feature that nothing was there, where nothing was."""
    if not _lines_looked_for(groups):
        return (unseen(OTHER_LINE, "lines between whole orders were not looked for in every cycle"),)
    if COGGING in groups.unlike:
        return (unseen(OTHER_LINE, groups.unlike[COGGING]),)
    orders = [
        each.order
        for cycle in (*groups.before, *groups.now)
        for each in cycle.lines or ()
        if not bearings_of(each.order, groups.declared.bearings)
    ]
    out = []
    for at in _clusters(orders, lambda a, b: abs(a - b) <= SAME_LINE * b):
        before, now = (
            [amplitude(each.lines, partial(_is_line, at), 0) for each in group]
            for group in (groups.before, groups.now)
        )
        out.append(_feature(OTHER_LINE, appeared(before, now), groups, None, at=at))
    return tuple(out) or (_nothing(OTHER_LINE, groups),)


def _is_line(at: float, order: OrderValue) -> bool:
    return abs(order.order - at) <= SAME_LINE * at


def _defects(groups: Groups) -> tuple[Feature, ...]:
    """Deviations at one angle, the most frequent first."""
    cycles = (*groups.before, *groups.now)
    if not groups.before or not groups.now or any(each.defects is None for each in cycles):
        return (unseen(DEFECT, "deviations at one angle were not looked for in every cycle"),)
    angles = [each.angle_deg for cycle in cycles for each in cycle.defects or ()]
    lost = NO_REFERENCE in groups.known
    places = _clusters(angles, lambda a, b: lost or _apart_deg(a, b) <= SAME_ANGLE_DEG)
    out = []
    for at in places:
        before, now = (
            [_height(each, None if lost else at) for each in group] for group in (groups.before, groups.now)
        )
        out.append(_feature(DEFECT, appeared(before, now), groups, None, at=None if lost else at))
    return tuple(out) or (_nothing(DEFECT, groups),)


def _height(cycle: CycleValues, at: float | None) -> Point | None:
    heights = [
        abs(each.height_nm)
        for each in cycle.defects or ()
        if at is None or _apart_deg(each.angle_deg, at) <= SAME_ANGLE_DEG
    ]
    return Point(max(heights), 0.0, NU_OF_LINE, 0) if heights else None


def _nothing(kind: str, groups: Groups) -> Feature:
    return _feature(kind, Change(0.0, 0.0, 0.0, NU_MAX, 1.0), groups, None)


def _clusters(values: Sequence[float], same: Callable[[float, float], bool]) -> list[float]:
    """Values around which others gather, at most `LISTED_MOST`, the most frequent first."""
    left = sorted(values)
    out: list[float] = []
    while left and len(out) < LISTED_MOST:
        around = {value: [each for each in left if same(each, value)] for value in left}
        best = max(around, key=lambda value: len(around[value]))
        out.append(best)
        left = [each for each in left if not same(each, best)]
    return out


def _apart_deg(a: float, b: float) -> float:
    return abs((a - b + 180) % 360 - 180)
