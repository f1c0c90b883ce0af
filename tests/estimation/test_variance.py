"""Components of variance against a published gauge study, against a planted truth, and under what must not matter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.estimation.variance import Factor, variances

GAUGE = """
37 38 37  41 41 40  41 42 41
42 41 43  42 42 42  43 42 43
30 31 31  31 31 31  29 30 28
42 43 42  43 43 43  42 42 42
28 30 29  29 30 29  31 29 29
42 42 43  45 45 45  44 46 45
25 26 27  28 28 30  29 27 27
40 40 40  43 42 42  43 43 41
25 25 25  27 29 28  26 26 26
35 34 34  35 35 34  35 34 35
"""
"""Thermal impedance of ten parts by three inspectors, three times each: D. C. Montgomery, Introduction to Statistical Quality Control, gauge study by
analysis of variance (data of Houf and Berman, 1988); from memory, and the sums of squares, which are as well, agree with it."""


def test_a_published_gauge_study_comes_out() -> None:
    values = np.array([line.split() for line in GAUGE.split("\n") if line], np.float64).reshape(10, 3, 3)
    found = variances(values, [Factor("part", 10), Factor("inspector", 3)])
    squares = [each.mean_square * each.degrees for each in found.components]
    assert squares == pytest.approx([3935.96, 39.27, 48.51, 30.67], abs=0.005)
    assert [each.degrees for each in found.components] == [9, 2, 18, 60]
    assert [each.sd**2 for each in found.components] == pytest.approx([48.29, 0.56, 0.73, 0.51], abs=0.005)
    # Repeatability alone has the chi-squared interval of every text: 60 degrees of freedom.
    assert (found.components[-1].low ** 2, found.components[-1].high ** 2) == pytest.approx(
        (60 * 0.5111 / 83.298, 60 * 0.5111 / 40.482), rel=2e-3
    )


def planted(rng: np.random.Generator) -> np.ndarray:
    """Six rigs with four units of their own each, measured by three operators who work on all rigs, two mountings: rig 2, unit 3, operator 1, mounting 1, night 0.5."""
    rigs, units = 2 * rng.standard_normal((6, 1, 1, 1, 1)), 3 * rng.standard_normal((6, 4, 1, 1, 1))
    mountings = rng.standard_normal((6, 4, 3, 2, 1))
    operators = rng.standard_normal((1, 1, 3, 1, 1))
    return np.asarray(rigs + units + operators + mountings + 0.5 * rng.standard_normal((6, 4, 3, 2, 2)))


FACTORS = [
    Factor("rig", 6),
    Factor("unit", 4, ("rig",)),
    Factor("operator", 3),
    Factor("mounting", 2, ("rig", "unit", "operator")),
]
TRUE = {("rig",): 2.0, ("unit",): 3.0, ("operator",): 1.0, ("mounting",): 1.0, (): 0.5}


def test_intervals_of_a_nested_study_hold_the_truth_and_components_are_not_biased() -> None:
    rng = np.random.default_rng(5)
    held = dict.fromkeys(TRUE, 0)
    sums = dict.fromkeys(TRUE, 0.0)
    studies = 80
    for _ in range(studies):
        for each in variances(planted(rng), FACTORS).components:
            if each.factors in TRUE:
                held[each.factors] += each.low <= TRUE[each.factors] <= each.high
                sums[each.factors] += each.sd**2
    for name, sd in TRUE.items():
        assert held[name] >= 0.86 * studies, name  # of 95 %: four standard deviations of 80 studies are 10 %
        assert sums[name] / studies == pytest.approx(sd**2, rel=0.25), name


def test_what_is_not_there_is_zero_with_an_upper_limit() -> None:
    rng = np.random.default_rng(8)
    values = rng.standard_normal((8, 1, 5)) + np.zeros((8, 3, 5))
    values[:, :, :] += 0.1 * rng.standard_normal((8, 3, 5))
    values += 5 * np.arange(8)[:, None, None]
    unit, rig, *_ = variances(values, [Factor("unit", 8), Factor("rig", 3)]).components
    assert unit.low > 5
    assert rig.sd < 0.2
    assert rig.low == 0.0 or rig.sd > 0
    assert rig.high > rig.sd


def test_what_cannot_be_judged_is_refused() -> None:
    one = [Factor("unit", 3)]
    with pytest.raises(ValueError, match="not those of factors"):
        variances(np.zeros((2, 2)), one)
    with pytest.raises(ValueError, match="not those of factors"):
        variances(np.full((3, 2), np.nan), one)
    with pytest.raises(ValueError, match="two levels"):
        variances(np.zeros((1, 2)), [Factor("unit", 1)])
    with pytest.raises(ValueError, match="nothing is repeated"):
        variances(np.arange(3.0).reshape(3, 1), one)


@settings(max_examples=8)
@given(seed=st.integers(0, 1000), scale=st.floats(1e-4, 1e4), shift=st.floats(-1e3, 1e3))
def test_order_of_levels_scale_and_shift_do_not_matter(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    values = rng.standard_normal((4, 3, 2)) + 3 * rng.standard_normal((4, 1, 1))
    factors = [Factor("unit", 4), Factor("rig", 3)]
    plain = variances(values, factors)
    moved = variances((values[rng.permutation(4)][:, rng.permutation(3)] + shift) * scale, factors)
    for one, other in zip(plain.components, moved.components, strict=True):
        assert other.high == pytest.approx(one.high * scale, rel=1e-5, abs=1e-6 * scale)
    assert moved.together(moved.components[1:])[0] == pytest.approx(
        plain.together(plain.components[1:])[0] * scale, rel=1e-5, abs=1e-6 * scale
    )
