"""Quantiles and the intervals made of them, held against printed tables and worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.intervals import half_width
from nightturn.estimation.pooled import NU_MAX
from nightturn.estimation.quantiles import (
    CONFIDENCE,
    coverage_factor,
    f_quantile,
    median,
    quantile,
    t_quantile,
)
from nightturn.model.figures import Figure

# JCGM 100:2008, Table G.2, column 95 %, from memory; the rows to 10, 20, 50 and 100 are printed alike in Fluke Calibration,
# "Basics of Measurement Uncertainty for DMM Calibration", 2011, p. 54 (read). Half of the last printed digit.
TABLE_G_2 = [
    (1.0, 12.71, 0.005),
    (2.0, 4.30, 0.005),
    (3.0, 3.18, 0.005),
    (4.0, 2.78, 0.005),
    (5.0, 2.57, 0.005),
    (6.0, 2.45, 0.005),
    (7.0, 2.36, 0.005),
    (8.0, 2.31, 0.005),
    (9.0, 2.26, 0.005),
    (10.0, 2.23, 0.005),
    (15.0, 2.13, 0.005),
    (20.0, 2.09, 0.005),
    (30.0, 2.04, 0.005),
    (50.0, 2.01, 0.005),
    (100.0, 1.984, 0.0005),
    (NU_MAX, 1.960, 0.0005),
]


@pytest.mark.parametrize(("nu", "factor", "printed"), TABLE_G_2, ids=lambda value: f"JCGM 100 G.2, {value}")
def test_the_coverage_factor_is_that_of_the_printed_table(nu: float, factor: float, printed: float) -> None:
    assert CONFIDENCE == 0.95
    assert coverage_factor(nu) == pytest.approx(factor, abs=printed)


def test_the_worked_example_of_effective_degrees_of_freedom_has_its_expanded_uncertainty() -> None:
    """JCGM 100:2008, G.4.1, example (from memory): u = 1.03 % with 19.0 degrees of freedom gives t = 2.09, U = 2.2 %."""
    assert coverage_factor(19.0) == pytest.approx(2.09, abs=0.005)
    assert half_width(Figure("", 0.0, u=1.03, nu=19.0)) == pytest.approx(2.2, abs=0.05)


def test_the_end_gauge_of_the_guide_has_its_expanded_uncertainty() -> None:
    """JCGM 100:2008, H.1: t(99 %, 16) = 2.92 and U = 93 nm, printed; 2.9208 and 92.5 nm of u = 31.66 nm run with GTC 1.5.1."""
    factor = t_quantile(0.995, 16.0)
    assert factor == pytest.approx(2.9208, abs=5e-5)
    assert factor * 32.0 == pytest.approx(93.0, abs=0.5)
    assert factor * 31.66 == pytest.approx(92.5, abs=0.05)


@pytest.mark.parametrize(
    ("count", "mean", "deviation", "reference", "low", "high", "significant"),
    [
        (10, 99.55, 0.542115, 100.0, 99.16217, 99.93783, True),
        (15, 36.00667, 0.21202, 36.0, 35.88925, 36.12408, False),
    ],
    ids=["bias study, n = 10", "bias study, n = 15"],
)
def test_a_bias_is_significant_when_its_interval_leaves_the_reference_out(
    count: int, mean: float, deviation: float, reference: float, low: float, high: float, significant: bool
) -> None:
    """Bias studies as AIAG, "Measurement Systems Analysis", has them; its pages were not read.

    Values from the references of the source distribution of capstat-core 0.4.3 (read), where they are calculated;
    1e-4 because n and s are rounded there.
    """
    wide = half_width(Figure("", mean, u=deviation / count**0.5, nu=count - 1.0))
    assert wide is not None
    assert (mean - wide, mean + wide) == pytest.approx((low, high), abs=1e-4)
    assert (abs(mean - reference) > wide) == significant


# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.3 (F, upper critical values), from memory.
@pytest.mark.parametrize(
    ("probability", "above", "below", "printed"),
    [
        (0.95, 1.0, 10.0, 4.965),
        (0.95, 2.0, 3.0, 9.552),
        (0.95, 5.0, 10.0, 3.326),
        (0.95, 10.0, 20.0, 2.348),
        (0.99, 5.0, 10.0, 5.636),
        (0.99, 2.0, 20.0, 5.849),
    ],
)
def test_fishers_f_is_that_of_the_printed_table(
    probability: float, above: float, below: float, printed: float
) -> None:
    assert f_quantile(probability, above, below) == pytest.approx(printed, abs=5e-4)


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=40), st.floats(0.0, 1.0))
def test_median_and_quantile_of_values_are_numpys(values: list[float], share: float) -> None:
    some = np.array(values)
    wide = float(np.ptp(some))
    assert median(some) == float(np.median(some))
    assert quantile(some, share) == pytest.approx(
        float(np.quantile(some, share)), rel=1e-12, abs=1e-12 * wide
    )
