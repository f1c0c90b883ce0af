"""Lines, scatters and combined uncertainties that others published; each test names its source."""

import math
from collections.abc import Sequence

import numpy as np
import pytest

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.draft import welch_satterthwaite
from nightturn.estimation.friction import scatter_between_cycles
from nightturn.estimation.least_squares import Solution, fit
from nightturn.estimation.night_verdict import Night
from nightturn.estimation.pooled import Pooled
from nightturn.estimation.quantiles import t_quantile
from nightturn.model.figures import BudgetLine, Figure
from nightturn.model.nights import LimitVerdict
from nightturn.model.verdicts import MET


def line(x: np.ndarray, y: np.ndarray) -> Solution:
    """Intercept and slope, unweighted."""
    return fit(np.column_stack((np.ones_like(x), x)), y, np.ones_like(x))


# ---- lines ----------------------------------------------------------------------------------------------------------
# JCGM 100:2008, H.3, Table H.6: readings of a thermometer and their corrections, as in the example of GTC 1.5.1 (read).
THERMOMETER_DEGC = "21.521 22.012 22.512 23.003 23.507 23.999 24.513 25.002 25.503 26.010 26.511"
CORRECTION_DEGC = "-.171 -.169 -.166 -.159 -.164 -.165 -.156 -.157 -.159 -.161 -.160"
REFERENCE_DEGC = 20.0


def calibration_line() -> Solution:
    """The line of H.3: its height at 20 °C and its slope."""
    read, correction = (
        np.array([float(v) for v in text.split()]) for text in (THERMOMETER_DEGC, CORRECTION_DEGC)
    )
    return line(read - REFERENCE_DEGC, correction)


def test_the_calibration_line_of_the_guide_has_its_coefficients_and_their_correlation() -> None:
    """JCGM 100:2008, H.3.3: run with GTC 1.5.1 to five digits, and half of the last digit that the guide prints (from memory)."""
    found = calibration_line()
    u = np.sqrt(np.diag(found.covariance))
    seen = [*found.x, *u, math.sqrt(found.variance), found.covariance[0, 1] / (u[0] * u[1])]
    assert found.nu == 9
    assert seen == pytest.approx([-0.171204, 0.00218270, 0.002878, 0.00066794, 0.0034976, -0.9304], rel=2e-4)
    printed = [-0.1712, 0.00218, 0.0029, 0.00067, 0.0035, -0.930]
    last_digits = [5e-5, 5e-6, 5e-5, 5e-6, 5e-5, 5e-4]
    assert all(abs(one - text) <= half for one, text, half in zip(seen, printed, last_digits, strict=True))


def test_a_value_beyond_the_calibration_line_of_the_guide_knows_that_its_coefficients_are_correlated() -> (
    None
):
    """JCGM 100:2008, H.3.4: b(30 °C) = -0.1494 °C with u = 0.0041 °C; without the correlation u were 0.0073 °C."""
    found, beyond = calibration_line(), np.array([1.0, 30.0 - REFERENCE_DEGC])
    u = math.sqrt(beyond @ found.covariance @ beyond)
    assert beyond @ found.x == pytest.approx(-0.149377, abs=5e-7)
    assert u == pytest.approx(0.0041386, abs=5e-7)
    assert math.sqrt(beyond**2 @ np.diag(found.covariance)) > 1.7 * u


def test_the_bias_of_a_gauge_has_the_line_of_the_linearity_study() -> None:
    """Linearity as in AIAG, "Measurement Systems Analysis"; its pages were not read.

    Five references and their biases from the source distribution of capstat-core 0.4.3 (read): slope -0.132 and
    intercept 1.408 are exact, so only rounding of floats is allowed for.
    """
    reference, bias = np.array([7.0, 9.0, 11.0, 13.0, 15.0]), np.array([0.49, 0.16, 0.02, -0.28, -0.61])
    assert line(reference, bias).x == pytest.approx([1.408, -0.132], rel=1e-12)


# ---- scatter from cycle to cycle --------------------------------------------------------------------------------------
# Half the mean square of successive differences is the Allan variance, when the values are fractional frequencies.
# W. J. Riley, "Handbook of Frequency Stability Analysis", NIST Special Publication 1065, 2008: the set of 1000 numbers of a
# generator of Park and Miller, which the NBS first published; deviations as in the tests of allantools 2024.6 (read, run).
def nist_thousand() -> np.ndarray:
    """The 1000 frequencies, which begin with the seed."""
    values, number = [], 1234567890
    for _ in range(1000):
        values.append(number)
        number = 16807 * number % 2147483647
    return np.array(values) / 2147483647


@pytest.mark.parametrize(("tau", "deviation"), [(1, 0.2922319), (10, 0.09965736), (100, 0.03897804)])
def test_the_scatter_between_cycles_is_the_allan_deviation_of_the_set_of_nist_sp_1065(
    tau: int, deviation: float
) -> None:
    found = scatter_between_cycles(nist_thousand().reshape(-1, tau).mean(axis=1).tolist())
    assert found is not None
    assert found[0] == pytest.approx(deviation, rel=2e-7)  # seven printed digits


def test_its_degrees_of_freedom_are_those_of_white_frequency_noise() -> None:
    """NIST SP 1065, 5.4.1, formula for white frequency noise at m = 1 (from memory), for 1001 phases, which are 1000 values.

    That formula is empirical: (3 (N - 1) / 2 - 2 (N - 2) / N) 4 / 9; the one used is exact, and they agree for many values.
    """
    found = scatter_between_cycles(nist_thousand().tolist())
    assert found is not None
    assert found[1] == pytest.approx((3 * 1000 / 2 - 2 * 999 / 1001) * 4 / 9, rel=1e-3)


# ---- uncertainty of a night -------------------------------------------------------------------------------------------
# JCGM 100:2008, H.5, Table H.9 (from memory; mean and deviations below are worked out from it and agree with those printed):
# means of five readings of a Zener voltage standard on ten days, µV above 10 V, and the standard deviation of each five.
ZENER_UV = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
OF_FIVE_UV = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)


def test_days_that_scatter_more_than_their_readings_decide_the_uncertainty_of_the_mean() -> None:
    """H.5.2: 97 µV; the days scatter by 57 µV, so u = 57 µV / √10 = 18 µV, with 9 degrees of freedom."""
    night = Pooled()
    for value, deviation in zip(ZENER_UV, OF_FIVE_UV, strict=True):
        night.add(value, deviation / math.sqrt(5), 4.0)
    u, nu = night.scatter()
    assert night.mean == pytest.approx(97.0, abs=0.5)
    assert u == pytest.approx(18.0, abs=0.5)
    assert u * math.sqrt(10) == pytest.approx(57.0, abs=0.5)
    assert nu == pytest.approx(9.0)


def test_the_readings_of_a_day_say_less_than_the_days_and_count_only_where_the_days_agree() -> None:
    """H.5.2: the readings pooled have 85 µV and 40 degrees of freedom; days that agree leave u = 85 µV / √50 = 12 µV."""
    night = Pooled()
    for deviation in OF_FIVE_UV:
        night.add(97.1, deviation / math.sqrt(5), 4.0)
    u, nu = night.scatter()
    assert u * math.sqrt(50) == pytest.approx(85.0, abs=0.5)
    assert nu == pytest.approx(40.0)


def test_the_spread_of_four_readings_is_that_of_the_worked_line() -> None:
    """Own arithmetic, no source: 1.00012, 1.00010, 1.00020, 1.00006 have the mean 1.00012 and s = 0.005887 % of it."""
    night = Pooled()
    for value in (1.00012, 1.00010, 1.00020, 1.00006):
        night.add(value, 0.0, 3.0)
    u, nu = night.scatter()
    assert night.mean == pytest.approx(1.00012, rel=1e-12)
    assert 100 * u * math.sqrt(4) / night.mean == pytest.approx(0.005887, abs=5e-7)
    assert nu == 3.0


# JCGM 100:2008, H.2, Table H.2: five simultaneous readings of voltage, V, current, mA, and phase, rad (from memory; their means,
# standard uncertainties and correlations come out as the example of GTC for H.2, examples/GUM_H2.py, has them, which was read).
VOLT = (5.007, 4.994, 5.005, 4.990, 4.999)
MILLIAMPERE = (19.663, 19.639, 19.640, 19.685, 19.678)
PHASE_RAD = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def pooled(values: Sequence[float]) -> tuple[float, float, float]:
    """Mean, its standard uncertainty and degrees of freedom, by the scatter from reading to reading."""
    night = Pooled()
    for value in values:
        night.add(value, 0.0, 1.0)
    return night.mean, *night.scatter()


def impedance() -> dict[str, list[float]]:
    """Resistance, reactance and impedance of each reading, ohm."""
    sizes = [1000 * volt / current for volt, current in zip(VOLT, MILLIAMPERE, strict=True)]
    return {
        "R": [size * math.cos(phase) for size, phase in zip(sizes, PHASE_RAD, strict=True)],
        "X": [size * math.sin(phase) for size, phase in zip(sizes, PHASE_RAD, strict=True)],
        "Z": sizes,
    }


@pytest.mark.parametrize(
    ("name", "ohm", "u"), [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)]
)
def test_readings_worked_out_one_by_one_keep_the_correlation_of_what_they_are_made_of(
    name: str, ohm: float, u: float
) -> None:
    """JCGM 100:2008, H.2.4, the second approach, Table H.4 (from memory), each to half of its last digit."""
    mean, seen, nu = pooled(impedance()[name])
    assert mean == pytest.approx(ohm, abs=5.1e-4)
    assert seen == pytest.approx(u, abs=5.1e-4)
    assert nu == 4.0


@pytest.mark.parametrize(("one", "other", "r"), [("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)])
def test_the_scatter_of_a_sum_has_the_correlation_of_its_parts(one: str, other: str, r: float) -> None:
    """The same table's correlations (from memory), by the variance of a sum of two (JCGM 100:2008, 5.2.2, (13))."""
    values = impedance()
    a, b = (pooled(values[name])[1] for name in (one, other))
    _, both, _ = pooled([x + y for x, y in zip(values[one], values[other], strict=True)])
    assert (both**2 - a**2 - b**2) / (2 * a * b) == pytest.approx(r, abs=5.1e-4)


def test_voltage_and_current_taken_as_unrelated_would_make_the_impedance_surer_than_it_is() -> None:
    """H.2: r(V, I) = -0.36; without it 0.204 ohm would stand where 0.236 ohm is right; own arithmetic."""
    parts = [pooled(each) for each in (VOLT, MILLIAMPERE)]
    alone = 254.260 * math.hypot(*(u / mean for mean, u, _ in parts))
    assert alone == pytest.approx(0.204, abs=5e-4)
    assert pooled(impedance()["Z"])[1] > 1.15 * alone


# ---- effective degrees of freedom ---------------------------------------------------------------------------------------
def part(u: float, nu: float) -> BudgetLine:
    return BudgetLine("part", u, nu, common=False, source="the example")


# JCGM 100:2008, H.1, with the sources of a part apart, as the example of GTC 1.5.1 has them (read); nm. Its sensitivities are
# own arithmetic: 50.000623 mm at -0.1 K and 11.5e-6 / K, the half widths 1e-6 / K and 0.05 K of rectangles.
END_GAUGE_NM = 50000623
END_GAUGE = (
    part(25.0, 18.0),
    part(5.8, 24.0),
    part(3.9, 5.0),
    part(6.7, 8.0),
    part(END_GAUGE_NM * 0.1 * 1e-6 / math.sqrt(3), 50.0),
    part(END_GAUGE_NM * 11.5e-6 * 0.05 / math.sqrt(3), 2.0),
)


@pytest.mark.parametrize(
    ("parts", "u", "nu", "digit_u", "digit_nu"),
    [
        pytest.param(
            (part(0.25, 9.0), part(0.57, 4.0), part(0.82, 14.0)),
            *(1.03, 19.0, 0.005, 0.05),
            id="JCGM 100 G.4.1, example, from memory",
        ),
        pytest.param(END_GAUGE, *(31.66, 16.75, 0.005, 0.005), id="JCGM 100 H.1, run with GTC 1.5.1"),
        pytest.param(END_GAUGE, *(32.0, 16.5, 0.5, 0.5), id="JCGM 100 H.1, printed 32 nm and 16, cut"),
    ],
)
def test_several_uncertain_parts_have_the_worked_effective_degrees_of_freedom(
    parts: tuple[BudgetLine, ...], u: float, nu: float, digit_u: float, digit_nu: float
) -> None:
    seen = welch_satterthwaite(parts)
    assert seen[0] == pytest.approx(u, abs=digit_u)
    assert seen[1] == pytest.approx(nu, abs=digit_nu)


def judged(u: float, nu: float, common: float) -> LimitVerdict:
    """One judged cycle with this uncertainty of its own, measured through a calibration with that one."""
    limit, night = AcceptLimit("friction_nm", 1e6), Night()
    night.hold_against([limit])
    whole = math.hypot(u, common)
    figure = Figure(limit.figure, 100.0, u=whole, nu=nu, u_rep=u, nu_rep=nu, u_common=common)
    next(iter(night.limits.values())).add(1, MET, figure)
    (found,) = night.verdict([limit], 1).limits
    return found


def test_one_uncertain_part_beside_certain_ones_has_the_worked_effective_degrees_of_freedom() -> None:
    """UKAS M3003, "The Expression of Uncertainty and Confidence in Measurement", appendix B, example (from memory).

    3.5 units of four readings in a combined 5.7 units: 3 (5.7 / 3.5)^4 = 21.1, and k = 2.13 of the row for 20 at 95.45 %.
    """
    found = judged(3.5, 3.0, math.sqrt(5.7**2 - 3.5**2))
    assert found.u == pytest.approx(5.7, rel=1e-12)
    assert found.nu == pytest.approx(21.1, abs=0.05)
    assert t_quantile(0.5 + 0.9545 / 2, 20.0) == pytest.approx(2.13, abs=0.005)
