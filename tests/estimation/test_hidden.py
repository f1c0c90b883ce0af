"""Weak declared orders in much noise: the interval reaches the truth, or the figure is not judged."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from tests.estimation.synthetic import Bench, clean, cycles_of

from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.hidden import hidden_orders, widened
from nightturn.estimation.intervals import half_width
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.waveform import PeakToPeak
from nightturn.model.figures import OK

SMALL = Bench(
    rate_hz=1000,
    pole_pairs=7,
    slots=12,
    cogging={1: 0.0004, 2: 0.0003, 12: 0.0008, 14: 0.0006, 84: 0.012, 168: 0.002},
    ripple={7: 0.0005, 14: 0.0005, 42: 0.001, 84: 0.0004},
    hold_nm=2 / 3,
    friction_nm=0.015,
    lag_s=5e-4,
)
"""A 2 N·m unit at 6 rpm: at 40 mN·m noise its weak orders are as large as their own standard deviations."""
SEEDS = 40


def honest(bench: Bench) -> dict[str, tuple[float, float, int]]:
    """By figure: mean relative error, median relative U, and how many cycles are covered or not judged."""
    truth = {"ripple_pp_nm": bench.true_ripple_pp(), "cogging_pp_nm": bench.true_cogging_pp()}
    source, conditions = clean(bench), bench.conditions()
    rows: dict[str, list[tuple[float, float, bool]]] = {name: [] for name in truth}
    for seed in range(SEEDS):
        found = finish_cycle(cycles_of(source.recorded(seed))[0], conditions, 0, 0, 0, 0)
        for name, true in truth.items():
            figure = found.figure(name)
            wide = half_width(figure)
            assert figure.value is not None
            assert wide is not None
            error = figure.value - true
            rows[name].append((error / true, wide / true, abs(error) <= wide or figure.status != OK))
    return {
        name: (
            float(np.mean([r[0] for r in row])),
            float(np.median([r[1] for r in row])),
            sum(r[2] for r in row),
        )
        for name, row in rows.items()
    }


def test_much_noise_reads_low_and_the_interval_says_so() -> None:
    # Signals at their own noise cannot be told apart: nine in ten is what the widened interval reaches (300 seeds: 0.89
    # and 0.90); with the scatter of the kept orders alone it was one in seven.
    least = int(binom.ppf(0.0005, SEEDS, 0.89))
    for name, (error, wide, held) in honest(replace(SMALL, noise_nm=0.04)).items():
        assert -0.20 < error < -0.05, name
        assert wide > 0.10, name
        assert held >= least, (name, held)


def test_little_noise_is_not_widened() -> None:
    for name, (error, wide, held) in honest(replace(SMALL, noise_nm=0.001)).items():
        assert abs(error) < 0.003, name
        assert wide < 0.005, name
        assert held >= int(binom.ppf(0.0005, SEEDS, 0.95)), (name, held)


def test_the_widening_is_said_where_it_matters() -> None:
    cycle = cycles_of(clean(replace(SMALL, noise_nm=0.04)).recorded(3))[0]
    figure = finish_cycle(cycle, SMALL.conditions(), 0, 0, 0, 0).figure("cogging_pp_nm")
    assert figure.status == "ok"
    assert "may lie below the noise; U is widened by them." in " ".join(figure.reasons)


def judged(
    power: float, noise: float, pp_nm: float, kept_noise: float | None = None
) -> tuple[float, bool, float]:
    """Eight declared orders of this power over this noise; order 20 is kept."""
    variance = np.full(40, noise)
    variance[20] = noise if kept_noise is None else kept_noise
    amplitudes = np.full(40, np.sqrt(power), np.complex128)
    found = hidden_orders(
        amplitudes, variance, frozenset({1, 2, 3, 4, 5, 6, 7, 8, 20}), np.array([20]), pp_nm
    )
    return found.rms_nm, found.sure, found.possible_pp_nm


def test_power_that_the_noise_explains_hides_nothing() -> None:
    assert judged(power=1e-8, noise=1e-8, pp_nm=1.0) == (0.0, False, 0.0)


def test_power_well_above_the_noise_is_sure() -> None:
    rms, sure, possible = judged(power=5e-8, noise=1e-8, pp_nm=1.0)
    assert rms == pytest.approx(np.sqrt(8 * 4e-8 / 2))
    assert sure
    assert possible > 2 * np.sqrt(2) * rms


def test_a_small_excess_is_reckoned_with_only_where_the_noise_is_large() -> None:
    assert judged(power=1.1e-8, noise=1e-8, pp_nm=1.0)[2] == 0.0
    assert judged(power=1.1e-8, noise=1e-8, pp_nm=0.005)[2] > 0.0


def test_orders_noisier_than_the_kept_ones_widen_by_their_own_noise() -> None:
    # a spall scatters its own orders only; the scatter of the kept orders says nothing about what hides below it
    found = judged(power=1e-8, noise=1e-8, pp_nm=1.0, kept_noise=1e-10)[2]
    assert found == pytest.approx(4.5 * np.sqrt(8 * 0.99e-8 / 2))


def test_without_declared_orders_left_nothing_changes() -> None:
    none = hidden_orders(np.ones(5, np.complex128), np.ones(5), frozenset({2}), np.array([2]), 1.0)
    assert (none.rms_nm, none.sure, none.possible_pp_nm) == (0.0, False, 0.0)
    peak = PeakToPeak(1.0, 0.1)
    assert widened(peak, none, 20.0) == peak


def test_the_widened_interval_reaches_what_may_hide() -> None:
    hidden = hidden_orders(
        np.full(9, 2e-4 + 0j), np.full(9, 1e-8), frozenset(range(1, 9)), np.array([], int), 1.0
    )
    peak = widened(PeakToPeak(0.03, 1e-5), hidden, 20.0)
    assert peak.value_nm == 0.03
    assert peak.u_nm * coverage_factor(20.0) >= hidden.possible_pp_nm > 0
