"""What rounding to a converter's steps leaves of a mean."""

import msgspec
import numpy as np
import pytest
from scipy.special import ndtr
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.folds import N
from nightturn.estimation.quantisation import NOISELESS, ROUNDED, noise_counts, rounding_counts

OFFSETS = np.linspace(0.0, 1.0, 401)[:-1]
STEPS = np.arange(-60, 61)


def rms_error(noise: float) -> float:
    """Of the expected rounded value against the true one, over all places in a step: the sum over the normal distribution."""
    errors = []
    for offset in OFFSETS:
        if noise == 0.0:
            errors.append(round(offset) - offset)
            continue
        upper, lower = ndtr((STEPS + 0.5 - offset) / noise), ndtr((STEPS - 0.5 - offset) / noise)
        errors.append(float((STEPS * (upper - lower)).sum()) - offset)
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize("noise", [0.0, 0.06, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
def test_the_uncertainty_of_a_mean_is_that_of_rounding_with_this_noise(noise: float) -> None:
    """Against the sum itself, which knows nothing of the series."""
    assert rounding_counts(noise) == pytest.approx(rms_error(noise), rel=1e-3)


def test_without_noise_it_is_a_step_over_the_root_of_twelve_and_with_a_step_of_noise_nothing() -> None:
    """JCGM 100:2008, F.2.2.1: 0.29 of a step."""
    assert rounding_counts(0.0) == pytest.approx(0.29, abs=0.005)
    assert 0.8 * ROUNDED < rounding_counts(NOISELESS) < ROUNDED
    assert rounding_counts(1.0) == 0.0


@pytest.mark.parametrize("noise_nm", [0.002, 0.02])
def test_the_noise_of_single_samples_is_read_from_the_bins(noise_nm: float) -> None:
    bench = Bench(noise_nm=noise_nm, rate_hz=4000, slow_rpm=3.0, cogging={1: 0.004})  # no slope within a bin
    (sums,) = cycles_of(record(bench))
    slow = [leg for leg in sums.legs if leg.kind == "slow_turn"]
    assert noise_counts(slow) * bench.lsb_nm == pytest.approx(noise_nm, rel=0.1)


def test_bins_of_one_sample_say_nothing_of_noise() -> None:
    assert noise_counts([]) == 0.0
    (sums,) = cycles_of(record(Bench(noise_nm=0.02, rate_hz=50, slow_rpm=3.0, hold_nm=0.0)))
    one_turn = [msgspec.structs.replace(leg, sums=leg.sums[:1]) for leg in sums.legs]
    assert all(leg.sums[:, N].max() == 1 for leg in one_turn)
    assert noise_counts(one_turn) == 0.0


def test_turns_of_one_sample_a_bin_are_compared_with_each_other() -> None:
    bench = Bench(noise_nm=0.02, rate_hz=200, slow_rpm=3.0, cogging={1: 0.004})
    (sums,) = cycles_of(record(bench))
    slow = [leg for leg in sums.legs if leg.kind == "slow_turn"]
    assert noise_counts(slow) * bench.lsb_nm == pytest.approx(0.02, rel=0.15)
