"""The pattern of the cogging order: whether it can be seen, the ratio of its multiples, and its angle."""

import cmath
import math

from nightturn.evidence.chances import NU_MAX
from nightturn.evidence.comparing import FOUND_SHARE, Change, Point, change_of, combined
from nightturn.evidence.families import NU_OF_LINE, at_order, lcm_of
from nightturn.evidence.features import (
    COGGING,
    ELECTRICAL,
    NO_REFERENCE,
    OTHER_RIG,
    PATTERN_ANGLE,
    RIPPLE,
    SHAFT,
    TILT,
    Feature,
)
from nightturn.evidence.groups import Groups, feature_of, unseen

TILT_MATTERS_PCT, ANGLE_MATTERS_DEG = 5.0, 0.2
"""Smallest changes of interest (assumptions)."""
ANGLE_U_DEG = 0.02
"""What the angle of a pattern moves by itself, with temperature and with other orders (assumption)."""


def table_lacks(groups: Groups, kind: str, highest: int) -> str:
    """Why a kind cannot be seen in the tables; empty where it can."""
    held = kind == ELECTRICAL
    if (RIPPLE if held else COGGING) in groups.unlike:
        return groups.unlike[RIPPLE if held else COGGING]
    cycles = (*groups.before, *groups.now)
    tables = [each.hold_orders if held else each.cogging_orders for each in cycles]
    if not groups.before or not groups.now or None in tables:
        return "no table of orders in every cycle"
    if kind != SHAFT and not lcm_of(groups.declared):
        return "poles and slots are not declared"
    if any(each.highest_order < highest for each in cycles):
        return f"order {highest} is above the band"
    return ""


def tilt(groups: Groups) -> Feature:
    """How the second multiple of the cogging order changed against the first, per cent."""
    both = lcm_of(groups.declared)
    why = table_lacks(groups, TILT, 2 * both)
    if why:
        return unseen(TILT, why)
    ratios = []
    for group in (groups.before, groups.now):
        pairs = [
            (at_order(each.cogging_orders, both, 0), at_order(each.cogging_orders, 2 * both, 0))
            for each in group
        ]
        points = [
            Point(
                100 * math.log(b.value / a.value),
                100 * math.hypot(a.u / a.value, b.u / b.value),
                NU_OF_LINE,
                0,
            )
            for a, b in pairs
            if a is not None and b is not None and a.value > 0 and b.value > 0
        ]
        if len(points) < FOUND_SHARE * len(group):
            return unseen(TILT, "the second multiple of the cogging order does not stand out")
        ratios.append(points)
    change = change_of(*ratios)
    if change is None:
        return unseen(TILT, "no cycles to compare")
    return feature_of(
        TILT, change._replace(before=0.0, now=change.now - change.before), matters=TILT_MATTERS_PCT
    )


def pattern_angle(groups: Groups) -> Feature:
    """By how much the pattern of the cogging order turned, degrees; whole periods of it cannot be seen."""
    both = lcm_of(groups.declared)
    for lost in (NO_REFERENCE, OTHER_RIG):
        if lost in groups.known:
            return unseen(PATTERN_ANGLE, "the angles have no common zero")
    why = table_lacks(groups, PATTERN_ANGLE, both)
    if why:
        return unseen(PATTERN_ANGLE, why)
    rows = [
        [each for cycle in group for each in cycle.cogging_orders or () if each.order == both]
        for group in (groups.before, groups.now)
    ]
    if any(len(each) < FOUND_SHARE * len(group) for each, group in zip(rows, groups[:2], strict=True)):
        return unseen(PATTERN_ANGLE, "the cogging order does not stand out")
    points, middles = [], []
    for group in rows:
        middle = cmath.phase(sum(cmath.exp(1j * each.phase_rad) for each in group))
        points.append(
            [
                Point(
                    math.degrees(_wrapped(each.phase_rad - middle)) / both,
                    math.degrees(each.u_nm / each.amplitude_nm) / both if each.amplitude_nm else 0.0,
                    NU_OF_LINE,
                    0,
                )
                for each in group
            ]
        )
        middles.append(middle)
    change = change_of(*points)
    if change is None:
        return unseen(PATTERN_ANGLE, "no cycles to compare")
    turned = math.degrees(_wrapped(middles[1] - middles[0])) / both + change.now - change.before
    u, nu = combined((change.u, change.nu), (ANGLE_U_DEG, NU_MAX))
    return feature_of(PATTERN_ANGLE, Change(0.0, turned, u, nu), matters=ANGLE_MATTERS_DEG)


def _wrapped(angle_rad: float) -> float:
    return (angle_rad + math.pi) % math.tau - math.pi
