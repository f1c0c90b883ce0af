"""What steps leave of a waveform's figures where the noise does not carry the samples over them."""

import math
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.budget import (
    AT_ONE_PLACE,
    DIFFERENCE,
    HALF_STEP,
    HALF_SUM,
    RESOLUTION,
    RMS,
    Enters,
    Seen,
    budget_lines,
)
from nightturn.estimation.folds import N
from nightturn.estimation.quantisation import expected_errors, level_noise_counts, rounding_counts
from nightturn.estimation.undithered import DITHER_THERE, WEAK, Undithered, Waveform, undithered

CREST = Waveform(np.array([24, 28, 168]), np.array([3.0, 4.0j, 25.0 + 0j]), 0.0, local=False)


def pp_of(counts: np.ndarray, orders: np.ndarray) -> float:
    """Peak to peak of the orders fitted to a turn of equally spaced samples."""
    spectrum = np.fft.rfft(counts)
    kept = np.zeros_like(spectrum)
    kept[orders] = spectrum[orders]
    return float(np.ptp(np.fft.irfft(kept, len(counts))))


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.2])
def test_it_is_the_scatter_of_the_peak_to_peak_over_places_in_a_step(noise: float) -> None:
    """Against rounded samples of many turns at random places, none of them by the series."""
    draw, samples = np.random.default_rng(4), 9000
    angle = np.arange(samples) * 2 * np.pi / samples
    errors = []
    for _ in range(60):
        scale = 1 + draw.uniform(0, 1 / 60)
        wave = scale * sum(
            (a * np.exp(1j * n * angle)).real for n, a in zip(CREST.orders, CREST.amplitudes, strict=True)
        )
        seen = wave + draw.uniform(0, 1)
        turns = [
            np.round(seen + noise * draw.standard_normal(samples)) for _ in range(1 if noise == 0 else 20)
        ]
        errors.append(pp_of(np.mean(turns, axis=0), CREST.orders) - pp_of(wave, CREST.orders))
    assert undithered(CREST, CREST, noise, samples).peak == pytest.approx(np.std(errors), rel=0.3)


def test_with_noise_of_half_a_step_nothing_is_left_and_below_it_ever_more() -> None:
    assert undithered(CREST, CREST, 0.5, 9000) is DITHER_THERE
    found = [undithered(CREST, CREST, noise, 9000) for noise in (0.45, 0.3, 0.2, 0.1, 0.0)]
    assert all(one.peak < other.peak and one.rms < other.rms for one, other in pairwise(found))
    assert (
        found[-1].peak < 0.41
    )  # two means without any noise, √2/√12: a crest is averaged over some of its steps


def test_a_turn_within_one_step_has_the_error_of_a_single_mean() -> None:
    still = Waveform(np.array([7]), np.array([0.06 + 0j]), 0.0, local=False)
    assert undithered(still, still, 0.1, 9000).mean == pytest.approx(rounding_counts(0.1), rel=0.1)


def test_directions_half_a_step_apart_take_each_other_s_first_sine_away() -> None:
    alone, apart = (undithered(CREST, CREST, 0.25, 9000, by) for by in (0.0, 0.5))
    assert apart.peak < 0.1 * alone.peak
    over_angle = undithered(CREST, CREST, 0.25, 9000, 0.5, sign=-1)
    assert over_angle.peak == pytest.approx(alone.peak, rel=0.1)


def test_lines_that_rounding_can_make_and_faint_orders_are_in_doubt() -> None:
    weak = CREST._replace(
        orders=np.array([24, 28, 168, 900]), amplitudes=np.append(CREST.amplitudes, 0.9 * WEAK), faint=0.05
    )
    doubt = undithered(weak, weak, 0.1, 9000).peak - undithered(CREST, CREST, 0.1, 9000).peak
    assert 0.01 < doubt < (0.05 + 4 * WEAK) / math.sqrt(3)


def test_a_crest_at_one_angle_has_the_error_of_two_single_means() -> None:
    local = CREST._replace(local=True)
    assert undithered(local, local, 0.1, 9000).peak == pytest.approx(math.sqrt(2) * rounding_counts(0.1))


def test_the_series_has_its_middle_and_its_edge_at_nothing() -> None:
    errors = expected_errors(0.1, 512)
    assert errors[[0, 256]] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(rounding_counts(0.1), rel=1e-3)


@pytest.mark.parametrize(
    ("enters", "counts"),
    [
        (DIFFERENCE, 0.1),
        (RMS, 0.01),
        (HALF_STEP, 0.03),
        (HALF_SUM, 0.03),
        (AT_ONE_PLACE, 0.2 * math.sqrt(1.5)),
    ],
)
def test_each_kind_of_figure_has_its_own_part_of_it(enters: Enters, counts: float) -> None:
    seen = Seen(noise_counts=4.0, undithered=Undithered(peak=0.1, rms=0.01, mean=0.03, place=0.2))
    conditions = msgspec.structs.replace(Bench().conditions(), lsb_nm=-0.001)
    (line,) = (each for each in budget_lines(0.06, enters, seen, conditions) if each.name == RESOLUTION)
    assert line.u == pytest.approx(0.001 * counts)
    dithered = msgspec.structs.replace(seen, undithered=DITHER_THERE)
    assert RESOLUTION not in [each.name for each in budget_lines(0.06, enters, dithered, conditions)]


@pytest.mark.parametrize("noise", [0.15, 0.3, 0.5, 2.0])
def test_the_noise_is_read_where_the_torque_hardly_changes(noise: float) -> None:
    """Of a step of 1 mN·m, with a slope of three steps a bin between the crests."""
    bench = Bench(
        lsb_nm=0.001,
        noise_nm=0.001 * noise,
        rate_hz=4000,
        slow_rpm=6.0,
        cogging={24: 0.08},
        friction_nm=0.0403,
    )
    (sums,) = cycles_of(record(bench))
    slow = [leg for leg in sums.legs if leg.kind == "slow_turn"]
    assert level_noise_counts(slow) == pytest.approx(noise, rel=0.25)


def test_bins_of_one_sample_say_nothing_of_it() -> None:
    assert level_noise_counts([]) == 0.0
    (sums,) = cycles_of(record(Bench(noise_nm=0.02, rate_hz=50, slow_rpm=3.0, hold_nm=0.0)))
    one_turn = [msgspec.structs.replace(leg, sums=leg.sums[:1]) for leg in sums.legs]
    assert all(leg.sums[:, N].max() == 1 for leg in one_turn)
    assert level_noise_counts(one_turn) == 0.0
