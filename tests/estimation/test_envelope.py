"""Within what accepted units lie: a tolerance band from five units on, what they span below."""

import numpy as np
import pytest
from scipy import stats

from nightturn.estimation.envelope import ORDER_SHARE, envelope
from nightturn.estimation.tolerance import UNITS_MIN, factor


def test_few_units_are_what_they_span() -> None:
    values = np.array([[1.0, 5.0], [2.0, 3.0], [1.5, 4.0]])
    found = envelope(values, 0.95, by_ratio=False)
    assert found is not None
    assert not found.tolerance
    assert (found.low.tolist(), found.high.tolist(), found.units) == ([1.0, 3.0], [2.0, 5.0], 3)
    assert envelope(values[:0], 0.95, by_ratio=False) is None


def test_from_five_units_on_it_is_the_tolerance_limit_on_either_side() -> None:
    values = np.random.default_rng(1).normal(0.09, 0.001, (UNITS_MIN, 3))
    found = envelope(values, 0.95, by_ratio=False)
    assert found is not None
    assert found.tolerance
    wide = factor(UNITS_MIN) * values.std(axis=0, ddof=1)
    assert found.high == pytest.approx(values.mean(axis=0) + wide)
    assert found.low == pytest.approx(values.mean(axis=0) - wide)
    by_ratio = envelope(values, 0.95, by_ratio=True)
    assert by_ratio is not None
    assert by_ratio.middle == pytest.approx(stats.gmean(values, axis=0))
    assert (by_ratio.low > 0).all()
    assert by_ratio.high / by_ratio.middle == pytest.approx(by_ratio.middle / by_ratio.low)


def test_so_many_orders_of_a_good_unit_lie_inside() -> None:
    """Of 512 orders one in a thousand at most stands above, where all units are of one kind; with 95 % confidence."""
    rng = np.random.default_rng(3)
    median = 10.0 ** rng.uniform(-5, -2, 512)
    found = envelope(median * np.exp(0.2 * rng.standard_normal((8, 512))), ORDER_SHARE, by_ratio=True)
    assert found is not None
    share = stats.norm.cdf(np.log(found.high / median) / 0.2)
    # binomial, 99.9 %: 512 orders at .95
    assert 0.91 <= float(np.mean(share >= ORDER_SHARE)) <= 0.98
