"""Features that are counted: railed and jumping samples, encoder findings, lost samples, and whether jumps keep to an angle."""

import math
from collections.abc import Callable

from nightturn.evidence.chances import NU_MAX, angles_chance, counts_chance, t_reach
from nightturn.evidence.comparing import Change, Point, change_of
from nightturn.evidence.cycle_values import CycleValues
from nightturn.evidence.features import NO_REFERENCE, Feature
from nightturn.evidence.groups import COUNT_CHANCE, Groups, feature_of, unseen

CAPPED = 5
"""Signs of one cycle that count: a burst is one event, and no single cycle shows a rate."""
COVERAGE_U_PCT = 0.05
"""Lost blocks of a sound line, per cent of the samples (common practice, no source)."""
COVERAGE_MATTERS_PCT = 1.0


def counted(groups: Groups, kind: str, of: Callable[[CycleValues], int | None]) -> Feature:
    """Signs a cycle, compared by their number; no sign of one event more than `CAPPED` times."""
    before, now = ([of(each) for each in group] for group in (groups.before, groups.now))
    if not before or not now or None in before or None in now:
        return unseen(kind, "not counted in every cycle")
    capped = [sum(min(each or 0, CAPPED) for each in group) for group in (before, now)]
    if counts_chance(0, CAPPED * len(now), len(now) / (len(before) + len(now))) > COUNT_CHANCE:
        return unseen(kind, "too few cycles")
    chance = counts_chance(capped[0], capped[1], len(now) / (len(before) + len(now)))
    means = [sum(each or 0 for each in group) / len(group) for group in (before, now)]
    # A Poisson number scatters by its root.
    u = math.sqrt(sum(mean / len(group) for mean, group in zip(means, (before, now), strict=True)))
    return feature_of(kind, Change(means[0], means[1], u, NU_MAX, chance))


def locked(groups: Groups, kind: str) -> Feature:
    """Whether the jumps of now keep to one angle: a direction for each cycle that has any, so that a burst counts once."""
    if NO_REFERENCE in groups.known:
        return unseen(kind, "the encoder's zero was lost in between")
    having = [each for each in groups.now if each.jumps]
    if any(each.jump_angles_deg is None for each in having):
        return unseen(kind, "the angles of the jumps are not known")
    directions = [
        angles_chance([math.radians(angle) for angle in each.jump_angles_deg])[0]
        for each in having
        if each.jump_angles_deg
    ]
    if angles_chance([0.0] * len(directions))[2] > COUNT_CHANCE:
        return unseen(kind, "too few cycles with jumps")
    angle, length, chance = angles_chance(directions)
    change = Change(0.0, length, 1 / math.sqrt(len(directions)), NU_MAX, chance)
    return feature_of(kind, change, at=math.degrees(angle))


def coverage(groups: Groups, kind: str) -> Feature:
    """The share of the samples that arrived, per cent."""
    before, now = (
        [Point(100 * each.coverage, COVERAGE_U_PCT, NU_MAX, 0) for each in group if each.coverage is not None]
        for group in (groups.before, groups.now)
    )
    change = change_of(before, now)
    if change is None:
        return unseen(kind, groups.lacking(before, now))
    return feature_of(
        kind, change, matters=max(COVERAGE_MATTERS_PCT, t_reach(COUNT_CHANCE, 1e6) * COVERAGE_U_PCT)
    )
