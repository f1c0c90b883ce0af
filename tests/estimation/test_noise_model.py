"""The noise model on made-up levels: against plain least squares, and against noise that it was made for."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, t

from nightturn.estimation.noise_model import (
    PERIOD_SPANS,
    Movement,
    NoiseModel,
    _mixed,
    flicker_covariance,
)
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.tiles import Float64s

ROWS = 40
SEEDS, SEEDS_LONG = 150, 300
TIMES: Float64s = np.arange(ROWS, dtype=np.float64)
LASTS: Float64s = np.ones(ROWS)
COLUMNS = np.column_stack((np.ones(ROWS), np.arange(ROWS) % 2, (TIMES - TIMES.mean()) / ROWS))
NAMES = ("level", "difference", "drift")
DIFFERENCE = np.array([0.0, 1.0, 0.0])


def model(values: Float64s, movements: tuple[Movement, ...] = ()) -> NoiseModel:
    return NoiseModel(COLUMNS, NAMES, values, np.ones(ROWS), flicker_covariance(TIMES, LASTS), movements)


def test_without_1f_noise_it_is_plain_least_squares() -> None:
    rng = np.random.default_rng(3)
    values = COLUMNS @ (1.0, 2.0, 3.0) + 0.1 * rng.standard_normal(ROWS)
    none = np.zeros((ROWS, ROWS))
    found = NoiseModel(COLUMNS, NAMES, values, np.ones(ROWS), none, ()).estimate("", DIFFERENCE)
    x, squares = np.linalg.lstsq(COLUMNS, values, rcond=None)[:2]
    nu = ROWS - 3
    u = np.sqrt(squares[0] / nu * np.linalg.inv(COLUMNS.T @ COLUMNS)[1, 1])
    assert found.value == pytest.approx(x[1], abs=1e-12)
    assert found.u is not None
    assert found.nu is not None
    # the half-width is found on a grid, and t by a normal deviate
    assert coverage_factor(found.nu) * found.u == pytest.approx(t.ppf(0.975, nu) * u, rel=2e-3)
    assert found.nu == pytest.approx(nu, rel=0.1)


def test_as_many_unknowns_as_values_leave_no_uncertainty() -> None:
    columns = np.eye(3)
    found = NoiseModel(columns, NAMES, np.ones(3), np.ones(3), np.eye(3), ()).estimate("", DIFFERENCE)
    assert (found.value, found.u, found.nu) == (1.0, None, None)


@pytest.mark.parametrize("lasts", [1.0, 0.25])
def test_the_covariance_of_1f_noise_is_that_of_its_spectrum(lasts: float) -> None:
    """Wiener and Khinchin: means over a time d of noise of the density 1/f have the covariance of cos(2π f t) sinc²(f d) / f."""
    covariance = flicker_covariance(TIMES, lasts * LASTS)
    longest = PERIOD_SPANS * (ROWS - 1 + lasts)
    # equal steps of ln f; beyond 300 periods in a mean nothing is left of it
    f = np.exp(np.arange(np.log(1 / longest), np.log(300 / lasts), 2e-5))
    for apart in (0, 1, 2, 5, 9, ROWS - 1):
        wave = np.cos(2 * np.pi * f * apart) * np.sinc(f * lasts) ** 2
        expected = float(np.trapezoid(wave, dx=2e-5))
        assert covariance[0, apart] == pytest.approx(expected, abs=3e-3)
    assert np.linalg.eigvalsh(covariance).min() > 0
    assert covariance == pytest.approx(covariance.T)


def test_two_means_over_the_same_moments_have_in_common_what_means_a_little_apart_nearly_have() -> None:
    same, near = (
        flicker_covariance(np.array([0.0, 3.0, 3.0 + apart, 7.0]), LASTS[:4]) for apart in (0.0, 1e-7)
    )
    assert np.isfinite(same).all()
    assert same == pytest.approx(near, abs=1e-6)
    assert same[1, 2] == pytest.approx(
        same[1, 1], abs=2e-2
    )  # but for the bend of the covariance within a mean


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 12), min_size=8, max_size=16),
    st.sampled_from([0.0, 1e-300, 1e-15, 1e-9, 0.3]),
    st.sampled_from([1e-12, 1e-3, 1.0, 1e3]),
    st.integers(0, 2**32 - 1),
)
def test_however_many_means_are_of_the_same_moments_value_and_interval_are_numbers_above_0(
    places: list[int], apart: float, unit_s: float, seed: int
) -> None:
    """No pass lies at the time of another; a device whose clock began anew, or a fault of ours, may say so."""
    rng = np.random.default_rng(seed)
    rows = len(places)
    times = unit_s * (np.array(places, np.float64) + apart * rng.random(rows))
    flicker = flicker_covariance(times, np.full(rows, unit_s))
    columns = np.asarray(np.column_stack((np.ones(rows), np.arange(rows) % 2)), np.float64)
    step = Movement("step", (np.arange(rows) >= rows // 2).astype(np.float64))
    found = NoiseModel(columns, NAMES[:2], rng.standard_normal(rows), np.ones(rows), flicker, (step,))
    read = found.estimate("", np.array([0.0, 1.0]))

    assert np.isfinite(flicker).all()
    assert flicker == pytest.approx(flicker.T)
    assert np.isfinite(read.value)
    assert read.u is not None
    assert read.nu is not None
    # white noise of 1 alone leaves half of 2 / rows of variance to the difference; nothing makes it a thousandth of that
    assert 1e-3 / np.sqrt(rows) < read.u < np.inf
    assert 0 < read.nu < np.inf


@pytest.mark.parametrize("seeds", [SEEDS, pytest.param(SEEDS_LONG, marks=pytest.mark.long)])
@pytest.mark.parametrize("power", [0.0, 0.3, 30.0])
def test_the_interval_holds_the_truth_in_the_noise_it_is_made_for(power: float, seeds: int) -> None:
    rng = np.random.default_rng(11)
    covariance: Float64s = flicker_covariance(TIMES, LASTS) * power + np.eye(ROWS)
    root = np.linalg.cholesky(covariance)
    hits = 0
    for _ in range(seeds):
        found = model(root @ rng.standard_normal(ROWS)).estimate("", DIFFERENCE)
        assert found.u is not None
        assert found.nu is not None
        hits += abs(found.value) <= coverage_factor(found.nu) * found.u
    assert binom.ppf(0.0005, seeds, 0.90) <= hits <= binom.ppf(0.9995, seeds, 0.99)


def test_a_step_that_the_fixed_effects_leave_out_is_found_with_its_size() -> None:
    rng = np.random.default_rng(5)
    step = Movement("step", (TIMES >= 25).astype(np.float64))
    noise = rng.standard_normal(ROWS)
    still, stepped = model(noise, (step,)), model(noise + 20 * step.column, (step,))
    assert still.chance("step") < 0.3
    assert stepped.chance("step") > 0.99
    assert stepped.size("step") == pytest.approx(20, abs=2)
    assert stepped.chance("another") == stepped.size("another") == 0.0


def test_what_may_be_a_step_as_well_as_a_drift_widens_what_they_disagree_on() -> None:
    # two values with a drift between them: a step in between describes them as well
    columns = np.column_stack((np.ones(4), [-1.0, -1.0, 1.0, 1.0]))
    values = np.array([0.0, 0.01, 1.0, 1.01])
    step = Movement("step", np.array([0.0, 0.0, 1.0, 1.0]), {"start": 0.0}, instead="drift")
    flicker = np.zeros((4, 4))
    level = np.array([1.0, 0.0])
    plain = NoiseModel(columns, ("level", "drift"), values, np.ones(4), flicker, ()).estimate("start", level)
    either = NoiseModel(columns, ("level", "drift"), values, np.ones(4), flicker, (step,)).estimate(
        "start", level
    )
    assert plain.value == pytest.approx(0.505)
    # under a drift the level in the middle is 0.505, under a step the one before it is 0.005
    assert 0.3 < either.value < 0.4
    assert either.u is not None
    assert plain.u is not None
    assert either.u > 10 * plain.u


@pytest.mark.parametrize("flickering", [False, True])
def test_a_step_in_the_place_of_a_drift_is_read_as_if_it_were_the_column(flickering: bool) -> None:
    rng = np.random.default_rng(9)
    flicker = flicker_covariance(TIMES, LASTS) if flickering else np.zeros((ROWS, ROWS))
    # seen by the difference as well: every other value of the first ten has it
    column = ((TIMES >= 25) | ((TIMES < 10) & (TIMES % 2 == 1))).astype(np.float64)
    values = COLUMNS[:, :2] @ (1.0, 2.0) + 50 * column + rng.standard_normal(ROWS)
    step = Movement("step", column, {"difference": 0.5}, instead="drift", weight=1e-6)
    found = NoiseModel(COLUMNS, NAMES, values, np.ones(ROWS), flicker, (step,))
    stepped = NoiseModel(
        np.column_stack((COLUMNS[:, :2], column)),
        ("level", "difference", "step"),
        values,
        np.ones(ROWS),
        flicker,
        (),
    )
    direct = stepped.estimate("", np.array([0.0, 1.0, 0.5]))
    read = found.estimate("difference", DIFFERENCE)
    assert found.chance("step") == pytest.approx(1.0, abs=1e-9)
    assert found.size("step") == pytest.approx(
        stepped.estimate("", np.array([0.0, 0.0, 1.0])).value, abs=0.02
    )
    assert read.value == pytest.approx(direct.value, abs=0.02 if flickering else 1e-6)
    assert read.u == pytest.approx(direct.u, rel=0.1 if flickering else 1e-3)
    assert read.nu == pytest.approx(direct.nu, rel=0.1 if flickering else 1e-2)


def test_a_small_change_may_be_a_step_as_well_as_a_drift_and_a_clear_drift_is_none() -> None:
    rng = np.random.default_rng(2)
    step = Movement("step", (TIMES >= 20).astype(np.float64), instead="drift")
    noise = rng.standard_normal(ROWS)
    small, clear = model(noise + TIMES / 40, (step,)), model(noise + 2 * TIMES, (step,))
    assert small.chance("step") > 0.1
    assert clear.chance("step") < 0.05


@pytest.mark.parametrize("scatter", [1e-4, 1e-3, 1e-2])
def test_of_two_values_that_cannot_be_told_apart_the_interval_ends_where_their_scatter_says(
    scatter: float,
) -> None:
    """Half of it about -1, half about +1: a tenth of each half is beyond the interval, so it ends 1.645 of its scatter further out."""
    nu = 1e4
    found = _mixed(np.array([0.5, 0.5]), np.array([-1.0, 1.0]), np.full(2, scatter**2), np.full(2, nu))
    assert found.u is not None
    assert found.nu is not None
    half = coverage_factor(found.nu) * found.u
    assert found.value == pytest.approx(0.0, abs=1e-12)
    assert (half - 1.0) / scatter == pytest.approx(t.ppf(0.95, nu), rel=0.02)
