"""The one fit routine: coefficients and their variances by either way, its condition, and no solution where columns cannot be told apart."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.estimation.least_squares import CONDITION_MAX, InseparableError, factored, fit, solve_normal


def design(condition: float) -> npt.NDArray[np.float64]:
    """Two columns of unit length whose scaled design has this condition."""
    close = (condition**2 - 1) / (condition**2 + 1)
    return np.array([[1.0, close], [0.0, np.sqrt(1 - close**2)], [0.0, 0.0]])


@pytest.mark.parametrize("scale", [1.0, 1e9])
def test_a_fit_gives_its_condition_and_has_no_solution_beyond_the_limit(scale: float) -> None:
    y, one = np.array([1.0, 2.0, 3.0]), np.ones(3)
    columns = design(CONDITION_MAX - 1) * np.array([1.0, scale])
    found = fit(columns, y, one)
    assert found.condition == pytest.approx(CONDITION_MAX - 1, rel=1e-6)
    assert found.rank == 2
    assert columns[:2] @ found.x == pytest.approx(y[:2])
    with pytest.raises(InseparableError) as caught:
        fit(design(CONDITION_MAX + 1) * np.array([1.0, scale]), y, one)
    assert caught.value.condition == pytest.approx(CONDITION_MAX + 1, rel=1e-6)
    assert caught.value.columns.tolist() == [0, 1]


def test_columns_that_depend_on_each_other_lose_rank_and_are_named() -> None:
    rng = np.random.default_rng(1)
    columns = rng.standard_normal((50, 4))
    columns[:, 3] = columns[:, 0] - 2 * columns[:, 2]
    with pytest.raises(InseparableError) as caught:
        fit(columns, columns[:, 1], np.ones(50))
    assert (caught.value.rank, caught.value.size, caught.value.condition) == (3, 4, np.inf)
    assert set(caught.value.columns.tolist()) <= {0, 2, 3}
    assert str(caught.value) == "condition inf, rank 3 of 4"


@settings(max_examples=50)
@given(seed=st.integers(0, 2**32 - 1), rows=st.integers(6, 40), p=st.integers(1, 5))
def test_both_ways_of_the_fit_are_the_weighted_least_squares(seed: int, rows: int, p: int) -> None:
    rng = np.random.default_rng(seed)
    columns, y, weights = (
        rng.standard_normal((rows, p)),
        rng.standard_normal(rows),
        rng.uniform(0.5, 2.0, rows),
    )
    root = np.sqrt(weights)[:, None]
    expected = np.linalg.pinv(root * columns) @ (root[:, 0] * y)
    inverse = np.linalg.pinv((root * columns).T @ (root * columns))
    normal, right = columns.T @ (weights[:, None] * columns), columns.T @ (weights * y)
    if np.linalg.cond(root * columns / np.linalg.norm(root * columns, axis=0)) > CONDITION_MAX * 0.99:
        return
    for found in (fit(columns, y, weights), solve_normal(normal, right, float(weights @ y**2), rows)):
        assert found.x == pytest.approx(expected, rel=1e-6, abs=1e-9)
        assert found.covariance == pytest.approx(inverse * found.variance, rel=1e-6, abs=1e-9)
        assert found.unit_variances == pytest.approx(np.diag(inverse), rel=1e-6)
        assert found.solve(right) == pytest.approx(expected, rel=1e-6, abs=1e-9)


@settings(max_examples=25)
@given(seed=st.integers(0, 2**32 - 1), stack=st.integers(1, 3), rows=st.integers(6, 12), p=st.integers(1, 4))
def test_a_design_or_a_stack_of_them_is_factored_into_the_same_coefficients_weights_and_contrasts(
    seed: int, stack: int, rows: int, p: int
) -> None:
    rng = np.random.default_rng(seed)
    columns, y = (
        rng.standard_normal((stack, rows, p)) * 10.0 ** rng.uniform(-6, 6, p),
        rng.standard_normal(rows),
    )
    made = factored(columns)
    found = made.solve(np.broadcast_to(y[:, None], (stack, rows, 1)))[:, :, 0]
    for at in range(stack):
        one = factored(columns[at])
        inverse = np.linalg.pinv(columns[at] / one.scale) / one.scale[:, None]
        asked = rng.standard_normal(p) / np.abs(inverse).max(1)
        size = np.abs(asked) @ np.abs(inverse).max(1)
        assert asked @ found[at] == pytest.approx(asked @ inverse @ y, abs=1e-8 * size)
        assert one.weights(asked) == pytest.approx(asked @ inverse, abs=1e-8 * size)
        assert asked @ made.half[at] @ made.half[at].T @ asked == pytest.approx(
            ((asked @ inverse) ** 2).sum()
        )
        assert made.log_volume[at] == pytest.approx(
            np.log(np.linalg.svd(columns[at] / one.scale)[1]).sum() + np.log(one.scale).sum()
        )
        left = one.contrasts()
        assert left.T @ left == pytest.approx(np.eye(rows - p), abs=1e-12)
        assert left.T @ (columns[at] / one.scale) == pytest.approx(np.zeros((rows - p, p)), abs=1e-12)
        assert one.condition(1e9) == pytest.approx(np.linalg.cond(columns[at] / one.scale), rel=1e-6)


def test_of_a_stack_the_first_design_that_cannot_be_told_apart_is_named() -> None:
    good, bad = design(2.0), design(2 * CONDITION_MAX)
    with pytest.raises(InseparableError) as caught:
        factored(np.stack((good, bad))).condition()
    assert caught.value.condition == pytest.approx(2 * CONDITION_MAX, rel=1e-6)
