"""Numbers that are those of another unit: what they look like, and what to give instead."""

import numpy as np

from nightturn.estimation.figure_drafts import BEARINGS_SHARE
from nightturn.model.quantities import fixed, number, quantity
from nightturn.model.tiles import Float64s, Int64s
from nightturn.replay.arrays import Arrays
from nightturn.replay.commanded import Speeds
from nightturn.replay.grids import Series
from nightturn.replay.loaded import FAINT_OF_RATED, LOADED_OF_RATED, Unloaded, by_friction
from nightturn.replay.passes import APART, Passes

TORQUE_SHARE_MAX = 5.0
"""No bench carries more of the rated torque (common practice, no source),"""
TORQUE_SHARE_MIN = 1e-4
"""and no bearing, seal or transducer keeps all torques within so little of it (common practice, no source)."""
DEGREES = 180.0 / np.pi
TURNS = 0.5 / np.pi
UNITS = (("degrees", DEGREES, "np.radians(angle)"), ("turns", TURNS, "2 * np.pi * angle"))
TURNS_MAX = 50.0
"""Passes that measure smoothness turn less in one sense (common practice, no source); one turn in degrees is 57."""
HELD_LOW, FRICTION_LOW = 0.10, 0.003
"""A hold and a friction that are both below these shares of the rated torque are those of volts: direct drives have a friction of 0.5 to 1 %
of it and ripple is asked for under load (common practice, no source). Either alone is plausible: a light hold, a good bearing."""
HELD_APART = 0.3
"""A hold that is further from the plan's than this share is not its hold."""


def check_torque(arrays: Arrays, rated_torque_nm: float, zero_nm: float | None) -> None:
    """Refuse torques and a zero that no bench could have, and a channel that says nothing.

    Raises:
        ValueError: says what the numbers look like.
    """
    torque, rated = arrays.torque_nm, quantity(rated_torque_nm, "N·m")
    size = float(np.abs(torque).max())
    if size > TORQUE_SHARE_MAX * rated_torque_nm:
        raise ValueError(
            f"torque_nm reaches {quantity(size, 'N·m')}, {number(size / rated_torque_nm, 3)} times the rated torque of "
            f"{rated}, which looks like mN·m, millivolts or converter counts: give N·m"
        )
    if abs(zero_nm or 0.0) > TORQUE_SHARE_MAX * rated_torque_nm:
        raise ValueError(
            f"zero_nm is {quantity(zero_nm or 0.0, 'N·m')}, {number(abs(zero_nm or 0.0) / rated_torque_nm, 3)} times the rated torque of "
            f"{rated}, which looks like another unit: give N·m"
        )
    span = float(np.ptp(torque))
    if span == 0.0:
        raise ValueError(
            f"torque_nm is {quantity(float(torque[0]), 'N·m')} in every sample: the channel is dead or was not recorded"
        )
    if span < TORQUE_SHARE_MIN * rated_torque_nm:
        raise ValueError(
            f"all of torque_nm lies within {quantity(span, 'N·m', digits=2)}, {number(100 * span / rated_torque_nm, 2)} % of "
            f"the rated torque of {rated}, which looks like kN·m or volts: give N·m"
        )


def check_angle(series: Series, counts_per_rev: int, *, given: bool) -> None:
    """Refuse angles that turn too far, or never once, for radians; `given` says that a plan has the speeds.

    Raises:
        ValueError: says what the numbers look like.
    """
    turns = _longest_way(series.encoder) / counts_per_rev
    if turns / DEGREES > TURNS_MAX and not given:
        raise ValueError(
            f"angle_rad turns {number(turns, 3)} revolutions one way, and {number(turns / DEGREES, 3)} if it were degrees, which looks "
            "like encoder counts: give radians, 2 * np.pi * counts / counts_per_rev, or plan with the speeds if they are right"
        )
    if turns > TURNS_MAX and not given:
        raise ValueError(
            f"angle_rad turns {number(turns, 3)} revolutions one way; in degrees it would be "
            f"{number(turns / DEGREES, 3)}, which looks like degrees: give radians, np.radians(angle), or plan with the "
            "speeds if they are right"
        )
    if turns < 1.0 <= turns / TURNS:
        raise ValueError(
            f"angle_rad turns {fixed(turns, 2)} revolutions at most; in turns it would be {number(turns / TURNS, 3)}, "
            "which looks like turns: give radians, 2 * np.pi * angle. Figures need a whole revolution"
        )


def check_speeds(passes: Passes, plan: Speeds) -> None:
    """Refuse passes of which none turns at a speed of the plan.

    Raises:
        ValueError: names both speeds, and the unit that would make them one.
    """
    wanted = [rpm for rpm in (plan.slow_rpm, plan.hold_rpm, plan.exercise_rpm) if rpm]
    found = [speed * passes.rpm_of_count for speed in passes.speeds]
    if any(_alike(rpm, each) for rpm in found for each in wanted):
        return
    text = f"angle_rad turns at {_listed(found)} rpm, plan has {_listed(wanted)} rpm"
    for unit, factor, instead in UNITS:
        if any(_alike(rpm / factor, each) for rpm in found for each in wanted):
            raise ValueError(
                f"{text}; in {unit} it would be {_listed([rpm / factor for rpm in found])} rpm, which looks like {unit}: "
                f"give radians, {instead}"
            )
    raise ValueError(f"{text}: give the speeds that were commanded, or no plan")


def check_held(
    passes: Passes, free: Unloaded, speeds: Speeds, rated_torque_nm: float, *, given: bool
) -> None:
    """Refuse a hold that is not the plan's, and one that is too small for the rated torque.

    Raises:
        ValueError: says what the numbers look like.
    """
    held, rated = by_friction(passes.legs, free), rated_torque_nm
    shown = f"torque_nm shows {quantity(held, 'N·m', digits=3)} held"
    if given:
        if held and speeds.hold_nm and abs(held - speeds.hold_nm) > HELD_APART * speeds.hold_nm:
            raise ValueError(
                f"{shown}, plan has {quantity(speeds.hold_nm, 'N·m')}, {number(100 * abs(held / speeds.hold_nm - 1), 2)} % "
                "apart, which looks like volts or another unit: give N·m, or plan with the torque that was held"
            )
    elif not speeds.hold_nm and held > FAINT_OF_RATED * rated:
        raise ValueError(
            f"{shown}, {_times(held, free.friction_nm)}, but {number(100 * held / rated, 2)} % of the rated torque; a hold is "
            f"at least {number(100 * LOADED_OF_RATED)} %, so it looks like volts or another unit: give N·m, or plan with the "
            "torque that was held"
        )
    elif free.both and 0 < speeds.hold_nm < HELD_LOW * rated and free.friction_nm < FRICTION_LOW * rated:
        raise ValueError(
            f"torque_nm shows {quantity(speeds.hold_nm, 'N·m', digits=3)} held, {number(100 * speeds.hold_nm / rated, 2)} % of the "
            f"rated torque, beside a friction of {number(100 * free.friction_nm / rated, 2)} %; both are as small as volts would make "
            "them: give N·m, or plan with the torque that was held if they are right"
        )


def unproven(free: Unloaded, speeds: Speeds, rated_torque_nm: float, *, given: bool) -> tuple[str, ...]:
    """What cannot be refused and need not be N·m all the same: a hold that no plan states, and a friction that no bearing has."""
    out = []
    if speeds.hold_nm and not given:
        share = number(100 * speeds.hold_nm / rated_torque_nm, 2)
        out.append(
            f"{quantity(speeds.hold_nm, 'N·m')} held, {share} % of the rated torque, is read from torque_nm and checked by nothing: "
            "if something else was held, torque_nm is volts or another unit; plan says what was held"
        )
    if free.both and 0 < free.friction_nm < BEARINGS_SHARE * rated_torque_nm:
        share = number(100 * free.friction_nm / rated_torque_nm, 2)
        out.append(
            f"friction of {quantity(free.friction_nm, 'N·m', digits=2)} is {share} % of the rated torque, less than bearings "
            "have: check that torque_nm is N·m"
        )
    elif free.both and not speeds.hold_nm and free.friction_nm < FRICTION_LOW * rated_torque_nm:
        share = number(100 * free.friction_nm / rated_torque_nm, 2)
        out.append(
            f"friction of {quantity(free.friction_nm, 'N·m', digits=2)} is {share} % of the rated torque, and nothing was held that could "
            "show the unit of torque_nm: check that it is N·m"
        )
    return tuple(out)


def _times(held: float, friction_nm: float) -> str:
    return f"{number(held / friction_nm, 2)} times the friction" if friction_nm else "without any friction"


def _alike(one: float, other: float) -> bool:
    return abs(one - other) <= APART * other


def _listed(rpm: list[float]) -> str:
    return ", ".join(dict.fromkeys(number(each, 3) for each in rpm))


def _longest_way(encoder: Int64s) -> float:
    """The longest travel in one sense, counts, small steps back aside."""
    step = max(float(np.ptp(encoder)) / 1000, 1.0)
    coarse = np.rint(encoder[:: max(len(encoder) // 100_000, 1)] / step)
    moves: Float64s = np.diff(coarse)
    moves = moves[moves != 0]
    if not len(moves):
        return 0.0
    starts = np.concatenate(([0], np.flatnonzero(np.diff(np.sign(moves))) + 1))
    return float(np.abs(np.add.reduceat(moves, starts)).max()) * step
