"""Known orders at their own noise: they count by their likely size, and the interval knows how little is known of them."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from tests.estimation.synthetic import Bench, clean, cycles_of

from nightturn.estimation.extremes import Lines, expected_peak_to_peak
from nightturn.estimation.families import Faint, faint_orders, family_orders, with_others
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.hidden import hidden_pp
from nightturn.estimation.intervals import half_width
from nightturn.estimation.spectra import pooled_scatter
from nightturn.estimation.waveform import peak_to_peak

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
    """By figure: mean relative error, median relative U, and how many intervals hold the truth."""
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
            rows[name].append((error / true, wide / true, abs(error) <= wide))
    return {
        name: (
            float(np.mean([r[0] for r in row])),
            float(np.median([r[1] for r in row])),
            sum(r[2] for r in row),
        )
        for name, row in rows.items()
    }


def test_much_noise_does_not_read_low_and_the_interval_holds_the_truth() -> None:
    # the peak-to-peak of the orders that stand out alone read 5 to 20 % low here, and one interval in seven held
    least = int(binom.ppf(0.0005, SEEDS, 0.95))
    for name, (error, wide, held) in honest(replace(SMALL, noise_nm=0.04)).items():
        assert abs(error) < 0.05, name
        assert wide > 0.10, name
        assert held >= least, (name, held)


def test_little_noise_is_not_widened() -> None:
    for name, (error, wide, held) in honest(replace(SMALL, noise_nm=0.001)).items():
        assert abs(error) < 0.003, name
        assert wide < 0.005, name
        assert held >= int(binom.ppf(0.0005, SEEDS, 0.95)), (name, held)


def test_what_faint_orders_make_is_said_where_it_matters() -> None:
    words = "Known orders too weak to stand out one by one make about "
    said = []
    for noise_nm in (0.04, 0.001):
        cycle = cycles_of(clean(replace(SMALL, noise_nm=noise_nm)).recorded(3))[0]
        figure = finish_cycle(cycle, SMALL.conditions(), 0, 0, 0, 0).figure("ripple_pp_nm")
        said.append([r for r in figure.reasons if r.startswith(words)])
    assert len(said[0]) == 1
    assert said[0][0].endswith(" mN·m of it. Turn more revolutions.")
    assert said[1] == []


# ---- the family -------------------------------------------------------------------------------------------------------
def test_the_family_of_an_unequal_unit_is_every_multiple_of_poles_and_slots() -> None:
    unit = SMALL.conditions(pole_pairs=14, slots=24)
    assert family_orders(unit, 100) == {24, 48, 72, 96, 28, 56, 84}
    assert max(family_orders(unit, 5000)) == 4 * 168
    assert family_orders(SMALL.conditions(pole_pairs=0, slots=24), 100) == frozenset()


def read(power: float, rng: np.random.Generator, lines: int = 40) -> Faint:
    """Faint orders of this signal power over noise of 1."""
    amplitudes = np.zeros(400, np.complex128)
    spread = np.sqrt((power + 1.0) / 2)
    orders = range(8, 8 * lines + 1, 8)
    amplitudes[list(orders)] = spread * (rng.standard_normal(lines) + 1j * rng.standard_normal(lines))
    noise, gate = np.ones(400), np.full(400, 50.0)
    return faint_orders(amplitudes, noise, gate, frozenset({399}), frozenset(orders), np.array([399]))


def test_faint_orders_are_drawn_in_by_the_share_of_noise_in_them() -> None:
    rng = np.random.default_rng(3)
    for power, low, high in ((0.0, 0.0, 0.2), (3.0, 0.6, 0.9), (30.0, 0.9, 1.0)):
        shares = []
        for _ in range(20):
            faint = read(power, rng)
            shares.append(float(np.abs(faint.shrunk).sum() / np.abs(faint.amplitudes).sum()))
        assert low <= np.mean(shares) <= high, power


def others(signal: float, rng: np.random.Generator) -> bool:
    """Whether four turns of noise, with this power of signal over it in orders that nobody declared, show them as a group."""
    turns = (rng.standard_normal((4, 240)) + 1j * rng.standard_normal((4, 240))) / np.sqrt(2)
    turns += np.sqrt(signal / 4) * np.exp(2j * np.pi * rng.random(240))
    scatter = pooled_scatter([(turns, np.ones(4))])
    assert scatter is not None
    mean, noise, gate = turns.mean(0), scatter.variance / 4, np.full(240, 17.0)
    known, kept = frozenset({8, 16, 168}), np.array([168])
    mean[168] = 30.0
    faint = faint_orders(mean, noise, gate, known, frozenset(), kept)
    return len(with_others(faint, mean, noise, gate, known, kept, scatter.nu).counts) > len(faint.counts)


def test_noise_that_is_itself_estimated_passes_for_no_other_orders() -> None:
    # 2 of 100 beside the strong order, nearly none of all else; by three deviations of the power alone it was 6 of 100
    rng = np.random.default_rng(11)
    assert sum(others(0.0, rng) for _ in range(300)) <= int(binom.ppf(0.999, 300, 0.0202))
    assert sum(others(1.0, rng) for _ in range(50)) == 50


@pytest.mark.parametrize(
    ("highest", "kept", "counts"),
    [
        (700, [168, 336, 504], True),
        (700, [168, 336], False),
        (700, [168, 336, 504, 672], False),
        (600, [168, 336, 504], False),
    ],
)
def test_the_fourth_harmonic_of_the_cogging_counts_alone_where_the_third_stands_out(
    highest: int, kept: list[int], counts: bool
) -> None:
    family = family_orders(SMALL.conditions(pole_pairs=14, slots=24), highest)
    noise = np.ones(highest + 1)
    amplitudes = np.full(highest + 1, 0.5 + 0j)
    declared = frozenset({168, 336, 504})
    faint = faint_orders(amplitudes, noise, 7.0 * noise, declared, family, np.array(kept))

    assert (672 in faint.orders) == counts
    if counts:
        alone = faint.groups == faint.groups[faint.orders == 672]
        assert faint.orders[alone].tolist() == [672]
        assert faint.power[faint.groups[alone]] == pytest.approx(0.25)
        assert faint.counts[faint.groups[alone]] == 1.0


NOTHING = faint_orders(
    np.zeros(2, np.complex128), np.zeros(2), np.ones(2), frozenset(), frozenset(), np.array([], np.int64)
)


def test_one_order_alone_has_twice_its_amplitude_and_twice_its_deviation() -> None:
    # a cosine's peak to peak is 2a, so u = 2 sqrt(variance of a component): a identity, no source
    found = expected_peak_to_peak(Lines(np.array([12]), np.array([0.5 + 0j]), np.array([1e-6])), NOTHING)
    assert found.value_nm == pytest.approx(1.0, rel=1e-3)
    assert found.u_nm == pytest.approx(2e-3, rel=0.2)


@pytest.mark.parametrize("noise", [1e-3, 1e-2])
def test_noise_does_not_raise_the_peak_of_many_like_maxima(noise: float) -> None:
    # 168 maxima alike: the largest of them in noise is higher than any of them is
    orders = np.array([1, 2, 3, 24, 28, 168])
    true = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 1.0]) + 0j
    rng = np.random.default_rng(5)
    variance = np.full(6, noise**2)
    plain, freed = [], []
    for _ in range(60):
        amplitudes = true + noise * (rng.standard_normal(6) + 1j * rng.standard_normal(6))
        plain.append(peak_to_peak(orders, amplitudes, variance).value_nm - 2.0)
        freed.append(expected_peak_to_peak(Lines(orders, amplitudes, variance), NOTHING).value_nm - 2.0)
    assert abs(np.mean(freed)) < 0.75 * np.mean(plain)


def test_a_figure_does_not_depend_on_polarity_sense_or_where_the_angle_starts() -> None:
    rng = np.random.default_rng(7)
    orders = np.array([2, 24, 28, 56, 168])
    amplitudes = rng.standard_normal(5) + 1j * rng.standard_normal(5)
    variance = np.full(5, 1e-3)
    one = expected_peak_to_peak(Lines(orders, amplitudes, variance), NOTHING)
    turned = amplitudes * np.exp(1j * orders * 2 * np.pi * 0.25)
    for other in (-amplitudes, np.conj(amplitudes), turned):
        same = expected_peak_to_peak(Lines(orders, other, variance), NOTHING)
        assert same.value_nm == pytest.approx(one.value_nm, rel=1e-6)
        assert same.u_nm == pytest.approx(one.u_nm, rel=1e-3)


# ---- nothing stands out -----------------------------------------------------------------------------------------------
def hiding(power: float, noise: float, pp_nm: float) -> float:
    """Peak-to-peak that eight declared orders of this power in this noise may hold; order 20 is kept."""
    variance = np.full(40, noise)
    amplitudes = np.full(40, np.sqrt(power), np.complex128)
    return hidden_pp(amplitudes, variance, frozenset({1, 2, 3, 4, 5, 6, 7, 8, 20}), np.array([20]), pp_nm)


def test_power_that_the_noise_explains_hides_nothing() -> None:
    assert hiding(power=1e-8, noise=1e-8, pp_nm=1.0) == 0.0


def test_power_well_above_the_noise_may_hide_more_than_it_is() -> None:
    assert hiding(power=5e-8, noise=1e-8, pp_nm=1.0) > 2 * np.sqrt(2) * np.sqrt(8 * 4e-8 / 2)


def test_a_small_excess_is_reckoned_with_only_where_the_noise_is_large() -> None:
    assert hiding(power=1.1e-8, noise=1e-8, pp_nm=1.0) == 0.0
    assert hiding(power=1.1e-8, noise=1e-8, pp_nm=0.005) > 0.0


def test_without_declared_orders_left_nothing_hides() -> None:
    assert hidden_pp(np.ones(5, np.complex128), np.ones(5), frozenset({2}), np.array([2]), 1.0) == 0.0
