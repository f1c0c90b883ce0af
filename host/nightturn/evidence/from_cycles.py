"""Features from two groups of cycles: every kind is looked at, and says why where it could not be seen."""

from collections.abc import Callable, Sequence
from statistics import median

from nightturn.errors import ConfigError
from nightturn.evidence.chances import NU_MAX
from nightturn.evidence.comparing import Change, Point, change_of, combined
from nightturn.evidence.cycle_values import CycleValues, Declared
from nightturn.evidence.features import (
    BEYOND,
    BREAKAWAY,
    BRIDGE_TEMPERATURE,
    CALIBRATION,
    COGGING,
    COVERAGE,
    ENCODER,
    FOLLOWS,
    FRICTION,
    GAIN,
    INTERVENTIONS,
    JUMPS,
    LAG,
    LCM,
    LOCKED,
    MEAN_TORQUE,
    OTHER_RIG,
    RAILED,
    REMOUNT,
    RIPPLE,
    SWING,
    TEMPERATURE,
    ZERO,
    Feature,
    Features,
)
from nightturn.evidence.from_orders import order_features
from nightturn.evidence.from_signs import counted, coverage, locked
from nightturn.evidence.groups import Groups, feature_of, unseen
from nightturn.evidence.temperature import (
    BRIDGE_ROLES,
    ROLES,
    TEMPERATURE_U_K,
    beyond_temperature,
    own_slope,
    swing_of,
)

FIGURES = (FRICTION, BREAKAWAY, ZERO, MEAN_TORQUE, RIPPLE, COGGING, LAG)
UNSOUND_JUMPS = 3
"""Jumps from which on a cycle's figures are left out, as long as half of the cycles stay."""
ALIKE = 0.02
"""Relative difference of speeds and of held torques up to which two groups are compared."""
REMOUNT_U = {FRICTION: 0.01, BEYOND: 0.01, BREAKAWAY: 0.03, RIPPLE: 0.05, COGGING: 0.03, MEAN_TORQUE: 0.003}
"""What mounting a unit again changes by itself, of the value (common practice, no source)."""
MATTERS = {FRICTION: 0.1, BEYOND: 0.1, BREAKAWAY: 0.3, MEAN_TORQUE: 0.01, RIPPLE: 0.2, COGGING: 0.2, LAG: 0.5}
"""Smallest change of interest, of the value before (assumption)."""
ZERO_MATTERS = 0.1
"""The same of the zero, of the friction."""
TEMPERATURE_MATTERS_K = 2.0
GAIN_MATTERS_PCT = 2.0
AGREE, AGREE_PCT = 3.0, 0.2
"""Standard uncertainties, and per cent, within which figures have changed in one proportion."""


def features_of(
    before: Sequence[CycleValues],
    now: Sequence[CycleValues],
    declared: Declared,
    known: Sequence[str] = (),
) -> Features:
    """What moved from the cycles before to those of now, both in order of time, with what is known to have been done in between.

    Raises:
        ConfigError: an intervention that has no name in `INTERVENTIONS`.
    """
    strange = [each for each in known if each not in INTERVENTIONS]
    if strange:
        raise ConfigError(
            f"no intervention is called {strange[0]!r}", where="evidence", allowed=", ".join(INTERVENTIONS)
        )
    sound = Groups(_sound(before), _sound(now), declared, tuple(known), _unlike(before, now))
    every = Groups(tuple(before), tuple(now), declared, tuple(known), {})
    figures = {kind: _figure(sound, kind) for kind in FIGURES}
    figures[ZERO] = _zero(figures, sound.known)
    beyond = _beyond(sound, figures[FRICTION])
    orders = order_features(sound, figures[FRICTION])
    looked = (
        *figures.values(),
        beyond,
        _follows(sound),
        *orders,
        _gain(figures[MEAN_TORQUE], next(each for each in orders if each.kind == LCM), beyond),
        _temperature(every, TEMPERATURE, ROLES),
        _temperature(every, BRIDGE_TEMPERATURE, BRIDGE_ROLES),
        _swing(every),
        counted(every, RAILED, lambda cycle: cycle.railed),
        counted(every, JUMPS, lambda cycle: cycle.jumps),
        locked(every, LOCKED),
        coverage(every, COVERAGE),
        counted(every, ENCODER, lambda cycle: cycle.encoder_findings),
    )
    return Features(looked, tuple(known), len(before), len(now))


def _sound(cycles: Sequence[CycleValues]) -> tuple[CycleValues, ...]:
    """The cycles whose torque signal was sound; all of them where most were not."""
    sound = tuple(each for each in cycles if not each.railed and (each.jumps or 0) < UNSOUND_JUMPS)
    return sound if 2 * len(sound) >= len(cycles) else tuple(cycles)


def _unlike(before: Sequence[CycleValues], now: Sequence[CycleValues]) -> dict[str, str]:
    """Kinds of figures that must not be compared, and why."""
    out: dict[str, str] = {}
    if _differ(before, now, lambda cycle: cycle.setpoint_nm):
        out |= dict.fromkeys((MEAN_TORQUE, RIPPLE), "another torque was held")
    if _differ(before, now, lambda cycle: cycle.speed_rpm):
        out |= dict.fromkeys((FRICTION, RIPPLE, COGGING, LAG, MEAN_TORQUE), "measured at another speed")
    return out


def _differ(
    before: Sequence[CycleValues], now: Sequence[CycleValues], of: Callable[[CycleValues], float]
) -> bool:
    if not before or not now:
        return False
    first, second = (median(of(each) for each in group) for group in (before, now))
    return abs(second - first) > ALIKE * abs(first)


def _figure(groups: Groups, kind: str) -> Feature:
    if kind in groups.unlike:
        return unseen(kind, groups.unlike[kind])
    if kind == ZERO and CALIBRATION in groups.known:
        return unseen(kind, "another calibration record was in force")
    if kind in {ZERO, LAG} and OTHER_RIG in groups.known:
        return unseen(kind, "measured on another rig")
    before, now = (_points(group, kind) for group in (groups.before, groups.now))
    change = change_of(before, now)
    if change is None:
        return unseen(kind, groups.lacking(before, now))
    share = MATTERS.get(kind)
    change = _widened(change, groups, kind)
    return feature_of(kind, change, matters=None if share is None else share * abs(change.before))


def _widened(change: Change, groups: Groups, kind: str) -> Change:
    """With what the interventions in between change by themselves."""
    parts = [(change.u, change.nu)]
    if REMOUNT in groups.known or OTHER_RIG in groups.known:
        parts.append((REMOUNT_U.get(kind, 0.0) * abs(change.before), NU_MAX))
    if CALIBRATION in groups.known or OTHER_RIG in groups.known:
        for group in (groups.before, groups.now):
            common = [each.figures[kind].u_common for each in group if kind in each.figures]
            parts.append((sum(common) / max(len(common), 1), NU_MAX))
    u, nu = combined(*parts)
    return change._replace(u=u, nu=nu)


def _zero(figures: dict[str, Feature], known: Sequence[str]) -> Feature:
    """The zero, which matters beside the friction."""
    zero, friction = figures[ZERO], figures[FRICTION]
    if zero.unseen or not friction.seen or REMOUNT in known:
        return zero
    return feature_of(
        ZERO, Change(zero.before, zero.now, zero.u, zero.nu), matters=ZERO_MATTERS * abs(friction.before)
    )


def _points(cycles: Sequence[CycleValues], kind: str) -> list[Point]:
    if kind == MEAN_TORQUE:
        return _held(cycles)
    return [
        Point(value.value, value.u, value.nu, each.direction)
        for each in cycles
        if (value := each.figures.get(kind)) is not None
    ]


def _held(cycles: Sequence[CycleValues]) -> list[Point]:
    """The size of what the unit holds: the mean torque at the transducer has friction in it, which a turn in the positive sense lowers."""
    out = []
    for each in cycles:
        mean, friction = each.figures.get(MEAN_TORQUE), each.figures.get(FRICTION)
        if mean is not None and friction is not None:
            u, nu = combined((mean.u, mean.nu), (friction.u, friction.nu))
            out.append(Point(abs(mean.value + each.direction * friction.value), u, nu, each.direction))
    return out


def _beyond(groups: Groups, friction: Feature) -> Feature:
    """Friction without what temperature explains."""
    if friction.unseen:
        return unseen(BEYOND, friction.unseen)
    role = groups.role(ROLES)
    if role is None:
        return unseen(BEYOND, "no temperature of the unit in both")
    pairs = []
    for group in (groups.before, groups.now):
        cycles = [each for each in group if FRICTION in each.figures]
        pairs.append((_points(cycles, FRICTION), [each.temperatures_degc[role] for each in cycles]))
    change = beyond_temperature(pairs[0], pairs[1])
    if change is None:
        return unseen(BEYOND, "friction is not known")
    return feature_of(BEYOND, _widened(change, groups, BEYOND), matters=MATTERS[BEYOND] * abs(change.before))


def _follows(groups: Groups) -> Feature:
    """How friction goes with temperature within the cycles of now, per cent a kelvin."""
    role = groups.role(ROLES)
    cycles = [each for each in groups.now if FRICTION in each.figures]
    if role is None or not cycles:
        return unseen(FOLLOWS, "no temperature of the unit in both" if role is None else "not known of now")
    points = _points(cycles, FRICTION)
    own = own_slope(points, [each.temperatures_degc[role] for each in cycles])
    level = sum(each.value for each in points) / len(points)
    if own is None or level <= 0:
        return unseen(FOLLOWS, "too few cycles, or one temperature")
    return feature_of(FOLLOWS, Change(0.0, 100 * own.per_k / level, 100 * own.u / level, own.nu))


def _gain(mean: Feature, cogging: Feature, beyond: Feature) -> Feature:
    """Whether mean torque and cogging, and friction where it is known, changed in one proportion, per cent."""
    pair = [_relative(each) for each in (mean, cogging)]
    known = [each for each in pair if each is not None]
    if len(known) < 2:
        return unseen(GAIN, "mean torque and cogging order must both be known")
    third = _relative(beyond)
    parts = known if third is None else [*known, third]
    weight = sum(1 / u**2 for _, u, _ in parts)
    common, u = sum(value / u**2 for value, u, _ in parts) / weight, weight**-0.5
    if any(abs(value - common) > AGREE * u + AGREE_PCT for value, u, _ in parts):
        return feature_of(
            GAIN, Change(0.0, 0.0, 0.0, NU_MAX, 1.0)
        )  # what one gain would have done, it did not
    if abs(common) > AGREE * u and any(abs(value) < AGREE * u for value, u, _ in known):
        return unseen(GAIN, "only one of the two is known well enough")
    return feature_of(GAIN, Change(0.0, common, u, min(nu for _, _, nu in parts)), matters=GAIN_MATTERS_PCT)


def _relative(feature: Feature) -> tuple[float, float, float] | None:
    """Change and standard uncertainty, per cent, and degrees of freedom; None where there is none."""
    if not feature.seen or feature.before <= 0 or feature.u <= 0 or feature.chance is not None:
        return None
    return 100 * feature.change / feature.before, 100 * feature.u / feature.before, feature.nu


def _temperature(groups: Groups, kind: str, roles: Sequence[str]) -> Feature:
    """Where a temperature was in these very cycles: not its scatter but what its sensor can say is the doubt."""
    role = groups.role(roles)
    if role is None:
        return unseen(kind, "no such temperature in both")
    before, now = (
        sum(each.temperatures_degc[role] for each in group) / len(group)
        for group in (groups.before, groups.now)
    )
    change = Change(before, now, TEMPERATURE_U_K, NU_MAX)
    return feature_of(kind, change, name=role, matters=TEMPERATURE_MATTERS_K)


def _swing(groups: Groups) -> Feature:
    """Whether the temperature goes to and fro now, whatever it did before: it explains what figures do in these cycles."""
    role = groups.role(ROLES)
    if role is None:
        return unseen(SWING, "no such temperature in both")
    found = swing_of(
        [each.start_s for each in groups.now], [each.temperatures_degc[role] for each in groups.now]
    )
    if found is None:
        return feature_of(SWING, Change(0.0, 0.0, 0.0, NU_MAX, 1.0))
    change = Change(0.0, found.half_k, 0.0, NU_MAX, found.chance)
    return feature_of(SWING, change, name=role, at=found.period_s / 60)
