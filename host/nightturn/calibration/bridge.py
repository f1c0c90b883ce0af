"""Wheatstone bridge of equal arms: its output for changes of the arms, a shunt resistor or a twisted shaft.

Outputs are mV per V of excitation. Arms are numbered round the bridge, so that 1 and 3 raise the output and 2 and 4
lower it. A shunt check proves electronics and wiring, not the spring.
"""

import math

from nightturn.model.quantities import number, quantity

MV_PER_V = 1000.0


def bridge_mv_per_v(arm1: float, arm2: float = 0.0, arm3: float = 0.0, arm4: float = 0.0) -> float:
    """Output of a bridge of equal arms for relative changes dR/R of each arm: the exact voltage divider.

    Raises:
        ValueError: a change of -1 or less (no resistance left).
    """
    r1, r2, r3, r4 = 1.0 + arm1, 1.0 + arm2, 1.0 + arm3, 1.0 + arm4
    if min(r1, r2, r3, r4) <= 0.0:
        changes = ", ".join(number(arm) for arm in (arm1, arm2, arm3, arm4))
        raise ValueError(f"arm changes {changes}: each must stay above −1")
    # r1 r3 - r2 r4 without the cancelling ones
    unbalance = (arm1 + arm3 - arm2 - arm4) + (arm1 * arm3 - arm2 * arm4)
    return MV_PER_V * unbalance / ((r1 + r2) * (r3 + r4))


def quarter_bridge_mv_per_v(strain: float, gauge_factor: float) -> float:
    """One active arm; slightly non-linear."""
    return bridge_mv_per_v(gauge_factor * strain)


def half_bridge_mv_per_v(strain: float, gauge_factor: float, poisson: float = 1.0) -> float:
    """Two adjacent arms: +strain and -poisson * strain (1.0: an equal and opposite strain, then exactly linear)."""
    change = gauge_factor * strain
    return bridge_mv_per_v(change, -poisson * change)


def opposite_arms_mv_per_v(strain: float, gauge_factor: float) -> float:
    """Two opposite arms with the same strain; slightly non-linear."""
    change = gauge_factor * strain
    return bridge_mv_per_v(change, 0.0, change, 0.0)


def full_bridge_mv_per_v(strain: float, gauge_factor: float, poisson: float = 1.0) -> float:
    """Four active arms: +, -, +, - (1.0: the torque bridge at 45 degrees, exactly linear)."""
    change = gauge_factor * strain
    # With poisson = 1 one arm gains what its neighbour loses: the sum in each branch stays, and nothing is left to bend.
    return bridge_mv_per_v(change, -poisson * change, change, -poisson * change)


def torque_bridge_mv_per_v(
    torque_nm: float, *, outer_m: float, inner_m: float, shear_modulus_pa: float, gauge_factor: float
) -> float:
    """Output of the full bridge at 45 degrees on a round shaft or tube.

    The strain is half the shear strain at the surface, torque * radius / (shear modulus * polar moment).

    Args:
        torque_nm: torque in the shaft.
        outer_m: outer diameter.
        inner_m: inner diameter, 0 for a solid shaft.
        shear_modulus_pa: of the shaft.
        gauge_factor: of the gauges.

    Raises:
        ValueError: diameters that make no tube.
    """
    if not 0.0 <= inner_m < outer_m:
        what = f"diameters {number(outer_m)} and {number(inner_m)} m"
        raise ValueError(f"{what}: the inner must be smaller and not negative")
    polar_m4 = math.pi / 32.0 * (outer_m**4 - inner_m**4)
    shear_strain = torque_nm * (outer_m / 2.0) / (shear_modulus_pa * polar_m4)
    return full_bridge_mv_per_v(shear_strain / 2.0, gauge_factor)


def shunt_step_mv_per_v(shunt_ohm: float, arm_ohm: float) -> float:
    """Size of the step when a resistor is laid across one arm: 1000 R / (4 Rs + 2 R), exact; the arm decides the sign.

    Raises:
        ValueError: a resistance that is not positive.
    """
    _check_ohm(shunt_ohm, arm_ohm)
    return MV_PER_V * arm_ohm / (4.0 * shunt_ohm + 2.0 * arm_ohm)


def shunt_ohm_for_step(step_mv_per_v: float, arm_ohm: float) -> float:
    """The resistor that gives this step in mV/V: 1000 R / (4 x) - R / 2.

    Raises:
        ValueError: a step outside (0, 500) mV/V or a resistance that is not positive.
    """
    _check_ohm(arm_ohm)
    if not 0.0 < step_mv_per_v < 500.0:
        step = quantity(step_mv_per_v, "mV/V")
        raise ValueError(f"step of {step}: a shunt gives more than 0 and less than 500")
    return MV_PER_V * arm_ohm / (4.0 * step_mv_per_v) - arm_ohm / 2.0


def shunt_strain(shunt_ohm: float, arm_ohm: float, gauge_factor: float) -> float:
    """The (compressive) strain of the arm that the resistor simulates: R / (F (R + Rs)), as a number, not in 1e-6.

    Not the same as the strain that a linear mV/V reading of `shunt_step_mv_per_v` would give: 0.1 % apart at 1000e-6.

    Raises:
        ValueError: a resistance or gauge factor that is not positive.
    """
    _check_ohm(shunt_ohm, arm_ohm, gauge_factor)
    return arm_ohm / (gauge_factor * (arm_ohm + shunt_ohm))


def shunt_ohm_for_strain(strain: float, arm_ohm: float, gauge_factor: float) -> float:
    """The resistor that simulates this strain of one arm: R / (F strain) - R.

    Raises:
        ValueError: a strain, resistance or gauge factor that is not positive.
    """
    _check_ohm(strain, arm_ohm, gauge_factor)
    return arm_ohm / (gauge_factor * strain) - arm_ohm


def deviation_per_cent(seen: float, expected: float) -> float:
    """How far a seen step is from the expected one, in per cent of the expected.

    Raises:
        ValueError: an expected step of zero.
    """
    if expected == 0.0:
        raise ValueError("the expected step is zero: nothing to compare with")
    return 100.0 * (seen - expected) / expected


def _check_ohm(*values: float) -> None:
    for value in values:
        if not 0.0 < value < math.inf:
            raise ValueError(f"{number(value)}: resistances, gauge factor and strain must be positive")
