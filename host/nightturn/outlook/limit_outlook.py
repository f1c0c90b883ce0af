"""The limits of rig and variant: each with its unit, and what is doubtful about it before anything turns."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from nightturn.estimation.cycle_verdict import TORQUE_TOLERANCE, near
from nightturn.estimation.figures import (
    FIGURES,
    FRICTION,
    FRICTION_PCT,
    MEAN_TORQUE,
    RIPPLE_PCT,
    RIPPLE_PP,
    FigureSpec,
    per_cent_of,
)
from nightturn.model.limits import exceeds
from nightturn.model.phases import EXERCISE, HOLD, SLOW_TURN, SPEED_TOLERANCE
from nightturn.model.quantities import number, quantity, typed
from nightturn.model.verdicts import MAX
from nightturn.settings.mistakes import Place
from nightturn.settings.rig import FixtureSettings, Limit
from nightturn.settings.validate import RAW_LIMIT
from nightturn.settings.variant import Acceptance, Variant

SHARE_MIN = 1e-5
"""Of the rated torque: no bridge on such a unit resolves less (common practice, no source)."""
SHARE_MAX = 1.0
"""Ripple, cogging and friction are a small part of the rated torque (common practice, no source)."""
PEAK_SHARE_MAX = 5.0
"""A torque itself may pass the rated one for a moment, not by so much (common practice, no source)."""
MILLI = 1000.0


@dataclass(frozen=True, slots=True)
class AcceptanceOutlook:
    """One acceptance limit: the figure, its unit, its conditions, and each bound with its limit, also in N·m."""

    figure: str
    unit: str
    limit: Acceptance
    bounds: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True)
class ProtectionOutlook:
    """One protective limit, of a figure or, as `torque_nm`, of every sample; in `unit`."""

    figure: str
    unit: str
    limit: Limit


def acceptance_outlook(variant: Variant) -> tuple[AcceptanceOutlook, ...]:
    """The acceptance limits on figures that exist, in the order of the file."""
    return tuple(
        AcceptanceOutlook(
            figure,
            spec.unit,
            limit,
            tuple(
                (bound, size, _share(spec, size, variant) * variant.rated_torque_nm)
                for bound, size in limit.limits
            ),
        )
        for figure, limit in variant.accept.items()
        if (spec := FIGURES.get(figure)) is not None
    )


def protection_outlook(settings: FixtureSettings) -> tuple[ProtectionOutlook, ...]:
    """The protective limits, in the order of the file."""
    return tuple(
        ProtectionOutlook(name, FIGURES[name].unit if name in FIGURES else "N·m", limit)
        for name, limit in settings.protect.items()
    )


def limit_warnings(
    settings: FixtureSettings,
    variant: Variant,
    rig_file: Place,
    variant_file: Place,
    expanded_nm: Callable[[float], float],
) -> Iterator[str]:
    """Limits that decide nothing, or that look like another unit; each with file, table, key and what would do.

    Args:
        settings: the fixture.
        variant: the product.
        rig_file: the fixture's table.
        variant_file: the top of the variant's file.
        expanded_nm: ± of the calibration at a torque, both N·m; 0 where it states none.
    """
    for figure, limit in variant.accept.items():
        spec = FIGURES.get(figure)
        if spec is None:  # refused where the file is read
            continue
        unmet = _unmet_condition(settings, spec, limit)
        if unmet:
            yield f"{figure} is {unmet}: it will not be judged"
        for bound, size in limit.limits:
            yield from _doubts(variant_file.inside("accept").inside(figure), spec, abs(size), variant, bound)
    protect = rig_file.inside("protect")
    for name, protective in settings.protect.items():
        spec = FIGURES.get(name)
        if spec is not None and spec.phase not in _planned(settings):
            yield f"{name} is measured in the phase {spec.phase}, which is not planned: its protective limit never acts"
        if spec is not None or name == RAW_LIMIT:
            yield from _doubts(protect.inside(name), spec, protective.max, variant)
    yield from _early_stop(settings, variant, protect, expanded_nm)


TORQUES = ("N·m", "%")
"""Units whose size the rated torque judges; a viscous friction has another."""


def _share(spec: FigureSpec | None, size: float, variant: Variant) -> float:
    """A limit as a part of the rated torque."""
    return size / per_cent_of(1.0) if spec is not None and spec.of_rated else size / variant.rated_torque_nm


def _doubts(
    place: Place, spec: FigureSpec | None, size: float, variant: Variant, bound: str = MAX
) -> Iterator[str]:
    """A limit whose size against the rated torque no unit has: most often the figure of another unit."""
    unit = "N·m" if spec is None else spec.unit
    if unit not in TORQUES:
        return
    share = _share(spec, size, variant)
    most = PEAK_SHARE_MAX if spec is None or spec.name == MEAN_TORQUE else SHARE_MAX
    rated = quantity(variant.rated_torque_nm, "N·m")
    too_large = exceeds(share, most)
    if not too_large and not exceeds(SHARE_MIN, share):
        return
    if too_large:
        times = "above" if share < 2 else f"{quantity(share, '', digits=2).strip()} times"
        what, other = f"{number(size)} {unit} is {times} the rated torque of {rated}", size / MILLI
    else:
        what, other = f"{quantity(size, unit)} is less than a bridge resolves with {rated}", size * MILLI
    limits = (SHARE_MIN, most)
    bounds = [part * (per_cent_of(1.0) if unit == "%" else variant.rated_torque_nm) for part in limits]
    allowed = f"{quantity(bounds[0], unit, digits=2)} to {quantity(bounds[1], unit)}"
    if unit != "%" and SHARE_MIN <= _share(spec, other, variant) <= most:
        looks = "looks like mN·m, " if too_large else ""
        allowed += f"; {looks}the key is in N·m; did you mean {typed(float(number(other)))}?"
    yield str(place.mistake(bound, what, allowed))


def _early_stop(
    settings: FixtureSettings, variant: Variant, place: Place, expanded_nm: Callable[[float], float]
) -> Iterator[str]:
    """A torque limit that a unit within its acceptance limits could pass at the torque of the hold or of the strokes, whichever is more.

    It acts on single samples as they are read, so the ripple that is accepted, the friction and what the calibration leaves open come on top.
    """
    raw, hold, exercise = settings.protect.get(RAW_LIMIT), settings.plan.hold, settings.plan.exercise
    named = {HOLD: hold.torque_nm if hold else 0.0, EXERCISE: exercise.torque_nm if exercise.strokes else 0.0}
    phase, most = max(named.items(), key=lambda each: each[1])
    if raw is None or not most or raw.max <= most:
        return
    parts = (
        (f"the {quantity(most, 'N·m')} of {phase}", most),
        ("half the accepted ripple", _accepted_nm(variant, RIPPLE_PP, RIPPLE_PCT) / 2),
        ("the accepted friction", _accepted_nm(variant, FRICTION, FRICTION_PCT)),
        ("the ± of the calibration", expanded_nm(most)),
    )
    needed = sum(each for _, each in parts)
    if raw.max >= needed:
        return
    added = " and ".join(", ".join(name for name, each in parts if each).rsplit(", ", 1))
    what = (
        f"{quantity(raw.max, 'N·m')} may end the run of a good unit: {added} add up to "
        f"{quantity(needed, 'N·m', beside=needed - raw.max)}"
    )
    yield str(place.inside(RAW_LIMIT).mistake("max", what, f"a number above {number(needed, 4)}"))


def _accepted_nm(variant: Variant, *figures: str) -> float:
    """The smallest acceptance limit on any of these figures, 0 without one."""
    sizes = [
        _share(FIGURES[name], most, variant) * variant.rated_torque_nm
        for name in figures
        if name in variant.accept and (most := variant.accept[name].max) is not None
    ]
    return min(sizes, default=0.0)


def _planned(settings: FixtureSettings) -> Mapping[str, float]:
    """The measuring phases of the plan with their speeds."""
    hold = settings.plan.hold
    held = {} if hold is None else {HOLD: hold.speed_rpm}
    return {SLOW_TURN: settings.plan.slow_turn.speed_rpm, **held}


def _unmet_condition(settings: FixtureSettings, spec: FigureSpec, limit: Acceptance) -> str:
    """Which condition of an acceptance limit this plan cannot meet, as part of a sentence; empty when none."""
    hold = settings.plan.hold
    held_nm = None if hold is None else hold.torque_nm
    if limit.at_torque_nm is not None and not near(held_nm, limit.at_torque_nm, TORQUE_TOLERANCE):
        held = "no torque" if held_nm is None else quantity(held_nm, "N·m")
        return f"accepted at {quantity(limit.at_torque_nm, 'N·m')}, but the plan holds {held}"
    speed_rpm = _planned(settings).get(spec.phase)
    if limit.at_rpm is None:
        return "" if speed_rpm is not None else f"measured in the phase {spec.phase}, which is not planned"
    if near(speed_rpm, limit.at_rpm, SPEED_TOLERANCE):
        return ""
    turns = "is not planned" if speed_rpm is None else f"turns at {number(speed_rpm)} rpm"
    return f"accepted at {number(limit.at_rpm)} rpm, but its phase {spec.phase} {turns}"
