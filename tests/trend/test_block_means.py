"""Means of blocks: what they are, what they are worth, and what is refused."""

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.trend.noises import alike, even

from nightturn.errors import InsufficientSamplesError
from nightturn.trend.block_means import (
    BlockMeans,
    UnusableSeriesError,
    autocorrelation,
    block_means,
    mean_inflation,
    straight_residual,
)

AT = even(40, 50.0)


def test_a_mean_is_that_of_its_block_and_what_fills_no_block_is_counted() -> None:
    value = even(43) ** 1.5
    found = block_means(even(43, 50.0), value, length=10)
    assert found.value == pytest.approx([value[10 * k : 10 * k + 10].mean() for k in range(4)])
    assert found.at == pytest.approx([225, 725, 1225, 1725])
    assert found.left_out == 3


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.7, 0.9])
def test_the_inflation_of_a_mean_is_the_sum_of_its_covariances(rho: float) -> None:
    apart = np.abs(np.subtract.outer(np.arange(10), np.arange(10)))
    assert mean_inflation(10, rho) == pytest.approx((rho**apart).sum() / 10)


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.7])
def test_the_autocorrelation_and_the_scatter_of_the_means_are_those_that_were_made(rho: float) -> None:
    """Against noise made by its definition: the plain estimate falls short by (2 + 4ρ)/n, and so would the ± of a mean."""
    rng = np.random.default_rng(5)
    rhos, ratios, plain = [], [], []
    for _ in range(100):
        errors = alike(rng, 60, rho)
        residual = straight_residual(even(60, 50.0), errors, np.ones(60))
        plain.append(residual[1:] @ residual[:-1] / (residual @ residual))
        rhos.append(autocorrelation(residual))
        found = block_means(even(60, 50.0), errors, length=5)
        ratios.append(np.mean(np.square(found.value)) / np.mean(np.square(found.u)))
    assert np.mean(plain) < rho - 0.01
    assert np.mean(rhos) == pytest.approx(rho, abs=0.06)
    assert np.median(ratios) == pytest.approx(1.0, abs=0.2)


def test_a_level_that_moves_along_a_line_is_no_scatter() -> None:
    errors = alike(np.random.default_rng(2), 40, 0.3)
    still, moving = (block_means(AT, errors + slope * AT) for slope in (0.0, 0.1))
    assert moving.u == pytest.approx(still.u, rel=1e-6)
    assert moving.rho == pytest.approx(still.rho, abs=1e-6)


def test_a_block_of_values_that_scatter_more_is_known_less() -> None:
    u = np.repeat([1.0, 3.0, 1.0, 1.0], 10)
    found = block_means(AT, u * np.random.default_rng(1).standard_normal(40), u)
    assert found.u[1] == pytest.approx(3 * found.u[0])
    assert found.u[2] == found.u[0]


def test_values_that_do_not_scatter_have_means_without_uncertainty() -> None:
    found = block_means(AT, np.full(40, 0.1))
    assert found.u == pytest.approx([0.0] * 4, abs=1e-12)


@given(factor=st.floats(0.001, 1000), sign=st.sampled_from([-1.0, 1.0]), seed=st.integers(0, 50))
def test_another_unit_or_sign_changes_nothing_but_the_numbers(factor: float, sign: float, seed: int) -> None:
    value = 3.0 + alike(np.random.default_rng(seed), 40, 0.5)
    plain, scaled = block_means(AT, value), block_means(AT, sign * factor * value)
    assert scaled.value == pytest.approx([sign * factor * v for v in plain.value])
    assert scaled.u == pytest.approx([factor * v for v in plain.u])
    assert scaled.rho == pytest.approx(plain.rho, abs=1e-9)


def test_means_go_through_msgpack() -> None:
    found = block_means(AT, even(40) % 7)
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(found), type=BlockMeans) == found


def broken(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """A series with one fault."""
    at, value, u = AT.copy(), np.ones(40), np.ones(40)
    if name == "a position twice":
        at[7] = at[6]
    elif name == "out of order":
        at[[3, 4]] = at[[4, 3]]
    elif name == "a gap":
        at[20:] += 500
    elif name == "a value is nan":
        value[5] = np.nan
    elif name == "a position is inf":
        at[39] = np.inf
    elif name == "a u is nought":
        u[9] = 0
    else:
        value = value[:-1]
    return at, value, u


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a position twice", "position 7 does not lie behind"),
        ("out of order", "position 4 does not lie behind"),
        ("a gap", "a gap before position 20: a step of 550 among steps of 50"),
        ("a value is nan", "value 5 is nan"),
        ("a position is inf", "position 39 is inf"),
        ("a u is nought", "u 9 is not positive"),
        ("too short a column", "shapes"),
    ],
)
def test_a_series_that_cannot_be_used_is_refused_with_its_place(name: str, text: str) -> None:
    with pytest.raises(UnusableSeriesError, match=text):
        block_means(*broken(name))


def test_too_few_values_are_refused_with_what_is_wanted() -> None:
    with pytest.raises(InsufficientSamplesError, match="means of blocks of 10 want 20 at least"):
        block_means(AT[:19], np.ones(19))
    with pytest.raises(UnusableSeriesError, match="at least one"):
        block_means(AT, np.ones(40), length=0)
