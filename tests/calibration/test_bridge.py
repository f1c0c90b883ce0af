import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.calibration.bridge import (
    bridge_mv_per_v,
    deviation_per_cent,
    full_bridge_mv_per_v,
    half_bridge_mv_per_v,
    opposite_arms_mv_per_v,
    quarter_bridge_mv_per_v,
    shunt_ohm_for_step,
    shunt_ohm_for_strain,
    shunt_step_mv_per_v,
    shunt_strain,
    torque_bridge_mv_per_v,
)

# Exact form V/E = R / (4 Rs + 2 R); the strain form is that of Vishay Micro-Measurements Tech Note TN-514, equations
# 514.3 to 514.7. Values by own arithmetic from these.
SHUNTS = [
    # shunt ohm, strain 1e-6 at F = 2, mV/V
    (174650.0, 1000.0, 0.500500501),
    (174825.0, 999.001, 0.500000000),
    (87325.0, 1996.008, 1.000000000),
    (87150.0, 2000.0, 1.002004008),
    (100000.0, 1743.8964, 0.873471425),
]


@pytest.mark.parametrize(
    ("shunt_ohm", "microstrain", "mv_per_v"), SHUNTS, ids=lambda value: f"TN-514, {value}"
)
def test_a_shunt_on_350_ohm_gives_the_tabulated_step_and_strain(
    shunt_ohm: float, microstrain: float, mv_per_v: float
) -> None:
    assert shunt_step_mv_per_v(shunt_ohm, 350.0) == pytest.approx(mv_per_v, abs=5e-10)
    assert 1e6 * shunt_strain(shunt_ohm, 350.0, 2.0) == pytest.approx(microstrain, rel=1e-7)
    lowered = shunt_ohm * 350.0 / (shunt_ohm + 350.0) / 350.0 - 1.0
    assert bridge_mv_per_v(lowered) == pytest.approx(-mv_per_v, abs=5e-10)
    assert bridge_mv_per_v(0.0, lowered) == pytest.approx(mv_per_v, abs=5e-10)


def test_a_thousand_microstrain_on_120_ohm_takes_59880_ohm() -> None:
    """TN-514, equation 514.5: Rs = 1e6 R / (F strain) - R."""
    assert shunt_ohm_for_strain(1000e-6, 120.0, 2.0) == pytest.approx(59880.0, rel=1e-12)


def test_simulating_the_gauge_is_not_simulating_the_linear_reading() -> None:
    """Own arithmetic from TN-514: 174 650 and 174 825 ohm, 0.1 % apart."""
    assert shunt_ohm_for_strain(1000e-6, 350.0, 2.0) == pytest.approx(174650.0, rel=1e-12)
    assert shunt_ohm_for_step(0.5, 350.0) == pytest.approx(174825.0, rel=1e-12)


@given(shunt_ohm=st.floats(1e3, 1e7), arm_ohm=st.floats(100.0, 2000.0))
def test_shunt_and_step_are_inverses(shunt_ohm: float, arm_ohm: float) -> None:
    step = shunt_step_mv_per_v(shunt_ohm, arm_ohm)
    assert shunt_ohm_for_step(step, arm_ohm) == pytest.approx(shunt_ohm, rel=1e-9)


# Bridge equations at 1000e-6 and F = 2: own arithmetic from the exact voltage divider; which arms are active is from memory.
@pytest.mark.parametrize(
    ("got", "mv_per_v"),
    [
        pytest.param(quarter_bridge_mv_per_v(1e-3, 2.0), 0.499500500, id="quarter, divider arithmetic"),
        pytest.param(half_bridge_mv_per_v(1e-3, 2.0), 1.000, id="half, adjacent, divider arithmetic"),
        pytest.param(
            half_bridge_mv_per_v(1e-3, 2.0, 0.3), 0.649545318, id="half, Poisson 0.3, divider arithmetic"
        ),
        pytest.param(full_bridge_mv_per_v(1e-3, 2.0), 2.000, id="full, exactly linear, divider arithmetic"),
        pytest.param(
            full_bridge_mv_per_v(1e-3, 2.0, 0.3), 1.299090637, id="full, Poisson 0.3, divider arithmetic"
        ),
        pytest.param(opposite_arms_mv_per_v(1e-3, 2.0), 0.999000999, id="half, opposite, divider arithmetic"),
    ],
)
def test_bridges_give_the_tabulated_output(got: float, mv_per_v: float) -> None:
    assert got == pytest.approx(mv_per_v, abs=1e-9)


def test_a_steel_tube_gives_the_tabulated_output() -> None:
    """Inputs of problem 36440, "Calculating Output Voltages", at brainmass.com (read); its answer was not seen: own arithmetic."""

    def output(torque_nm: float) -> float:
        return torque_bridge_mv_per_v(
            torque_nm, outer_m=0.024, inner_m=0.020, shear_modulus_pa=82e9, gauge_factor=2.125
        )

    assert output(50.0) == pytest.approx(0.461003218, rel=1e-8)
    assert 10.0 * output(50.0) == pytest.approx(4.610032, rel=1e-6)  # mV at 10 V
    # a shear strain of 1000e-6 is 500e-6 at 45 degrees
    assert output(115.237807) == pytest.approx(1000.0 * 2.125 * 500e-6, rel=1e-8)


@given(change=st.floats(-0.2, 0.2), arm=st.integers(0, 3))
def test_swapping_neighbours_turns_the_sign_and_nothing_else(change: float, arm: int) -> None:
    arms, neighbours = [0.0] * 4, [0.0] * 4
    arms[arm] = neighbours[(arm + 1) % 4] = change
    assert bridge_mv_per_v(*neighbours) == pytest.approx(-bridge_mv_per_v(*arms), rel=1e-12, abs=1e-15)


def test_two_readings_in_one_position_differ_by_what_is_called_repeatability() -> None:
    """Own arithmetic: 1.00012 and 1.00010 differ by 0.0019998 % of their mean.

    The definition is the generic one; tables of EURAMET cg-14, DIN 51309 or BS 7882 were not readable, and nothing here
    claims to follow them.
    """
    apart = [deviation_per_cent(value, 1.00011) for value in (1.00012, 1.00010)]
    assert apart[0] - apart[1] == pytest.approx(0.0019998, abs=5e-8)


def test_deviation_is_in_per_cent_of_the_expected() -> None:
    assert deviation_per_cent(0.8743, 0.873471425) == pytest.approx(0.0948599, rel=1e-5)
    assert deviation_per_cent(-1.01, -1.0) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: shunt_step_mv_per_v(0.0, 350.0), "must be positive"),
        (lambda: shunt_step_mv_per_v(float("nan"), 350.0), "must be positive"),
        (lambda: shunt_ohm_for_step(500.0, 350.0), "less than 500"),
        (lambda: shunt_ohm_for_strain(-1e-3, 350.0, 2.0), "must be positive"),
        (lambda: bridge_mv_per_v(-1.0), "stay above −1"),
        (lambda: deviation_per_cent(1.0, 0.0), "nothing to compare"),
        (
            lambda: torque_bridge_mv_per_v(
                1.0, outer_m=0.02, inner_m=0.02, shear_modulus_pa=8e10, gauge_factor=2.0
            ),
            "smaller",
        ),
    ],
)
def test_impossible_bridges_are_refused(call: object, says: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=says):
        call()
