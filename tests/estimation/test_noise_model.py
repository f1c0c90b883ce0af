"""The noise model on made-up levels: against plain least squares, and against noise that it was made for."""

import numpy as np
import pytest
from scipy.stats import binom, t

from nightturn.estimation.noise_model import Movement, NoiseModel, flicker_covariance
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


def test_the_covariance_of_1f_noise_falls_with_the_distance_and_is_one() -> None:
    covariance = flicker_covariance(TIMES, LASTS)
    assert (np.diff(covariance[0]) < 0).all()
    assert np.linalg.eigvalsh(covariance).min() > 0
    assert covariance == pytest.approx(covariance.T)


def test_a_longer_mean_of_1f_noise_varies_less() -> None:
    short, long = (flicker_covariance(TIMES, each * LASTS)[0, 0] for each in (0.5, 1.0))
    assert long < short + 1  # the shorter mean holds one relaxation more
    both = flicker_covariance(TIMES, LASTS)
    assert both.mean() < both[0, 0] / 3


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
