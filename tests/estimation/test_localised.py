"""A defect at one angle: found in the unpowered passes as in the hold, in the value and in its ±, and rarely where none is."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from tests.estimation.synthetic import TAU, Bench, Recording, clean, cycles_of, waveform

from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.intervals import half_width
from nightturn.estimation.localised import cut_out, localised_in, settled_in
from nightturn.estimation.order_fit import collapse, fit_orders
from nightturn.estimation.turns import Turns
from nightturn.model.figures import CycleRecord

UNIT = Bench(
    rate_hz=1000,
    pole_pairs=14,
    slots=24,
    cogging={1: 0.0004, 24: 0.0012, 28: 0.001, 168: 0.022, 336: 0.005},
    ripple={14: 0.006, 28: 0.0075, 84: 0.011},
    hold_turns=4.0,
    noise_nm=0.006,
    lag_s=0.002,
)
"""Noise of an angle bin as at 2.5 kHz and 3 rpm with 13 mN·m."""
SEEDS = pytest.mark.parametrize("seeds", [24, pytest.param(40, marks=pytest.mark.long)])
PHASES = ("cogging_pp_nm", "ripple_pp_nm")


def defect(degrees: np.ndarray, height_nm: float, at: float) -> np.ndarray:
    """A bell of 1 degree, full width at half height."""
    away = (degrees - at + 180) % 360 - 180
    return np.asarray(height_nm * np.exp(-4 * np.log(2) * away**2))


def with_defect(source: Recording, height_nm: float, at: float) -> Recording:
    """The defect where the shaft was when the sample was taken."""
    bench = source.bench
    speed = np.gradient(source.encoder) * bench.rate_hz
    late = source.encoder - speed * bench.lag_s
    pulse = defect(np.degrees(late / bench.counts_per_rev * TAU), height_nm, at)
    return replace(source, raw=(source.raw + np.rint(pulse / bench.lsb_nm)).astype(np.int32))


def finished(recording: Recording) -> CycleRecord:
    return finish_cycle(cycles_of(recording)[0], recording.bench.conditions(), 0, 0, 0, 0)


def names_defect(found: CycleRecord, name: str) -> bool:
    return any("repeats every turn without being an order" in reason for reason in found.figure(name).reasons)


def true_pp(orders: dict[int, float], height_nm: float, at: float) -> float:
    angle = np.linspace(0, TAU, 1 << 16)
    return float(np.ptp(waveform(angle, orders) + defect(np.degrees(angle), height_nm, at)))


@SEEDS
def test_a_defect_is_found_in_either_phase_and_is_in_value_and_interval(seeds: int) -> None:
    source = clean(UNIT)
    load = {n: UNIT.cogging.get(n, 0.0) + UNIT.ripple.get(n, 0.0) for n in {*UNIT.cogging, *UNIT.ripple}}
    found, held = dict.fromkeys(PHASES, 0), dict.fromkeys(PHASES, 0)
    errors: dict[str, list[float]] = {name: [] for name in PHASES}
    for seed in range(seeds):
        rng = np.random.default_rng(seed + 70)
        height, at = float(rng.choice([-0.02, 0.02])), float(rng.uniform(0, 360))
        cycle = finished(with_defect(source.recorded(seed), height, at))
        for name, orders in zip(PHASES, (UNIT.cogging, load), strict=True):
            figure, wide = cycle.figure(name), half_width(cycle.figure(name))
            assert figure.value is not None
            assert wide is not None
            true = true_pp(orders, height, at)
            found[name] += names_defect(cycle, name)
            held[name] += abs(figure.value - true) <= wide
            errors[name].append(figure.value / true - 1)
    for name in PHASES:
        assert found[name] == seeds, name
        assert held[name] >= int(binom.ppf(0.0005, seeds, 0.95)), (name, held[name])
        assert abs(float(np.mean(errors[name]))) < 0.01, name


@SEEDS
def test_no_defect_is_found_where_none_is(seeds: int) -> None:
    found = 0
    for flicker_nm in (0.0, 0.001):
        source = clean(replace(UNIT, flicker_nm=flicker_nm))
        for seed in range(seeds):
            cycle = finished(source.recorded(seed))
            found += sum(names_defect(cycle, name) for name in PHASES)
    assert found <= int(binom.ppf(0.9995, 4 * seeds, 0.01))


def spectra(values: np.ndarray) -> np.ndarray:
    """Amplitudes by order of turns (turns, bins)."""
    return np.asarray(np.fft.rfft(values, axis=1)[:, :400] * (2 / values.shape[1]))


DEGREES = np.arange(4096) * 360 / 4096
NOISE_NM = 0.001


def quiet(turns: int) -> np.ndarray:
    """Turns (turns, bins) of nothing but noise."""
    return np.asarray(NOISE_NM * np.random.default_rng(1).standard_normal((turns, 4096)))


def noise_of(turns: int) -> np.ndarray:
    """By order, E|c - c̄|² of the mean of so many turns."""
    return np.full(400, 2 * NOISE_NM**2 * 2 / 4096 / turns)


def everywhere(turns: int) -> np.ndarray:
    """No start is near."""
    return np.ones((turns, 4096), np.bool_)


@pytest.mark.parametrize("turns", [3, 4])
def test_a_spike_in_one_turn_is_no_defect_of_the_unit(turns: int) -> None:
    pulse = defect(DEGREES, 0.05, 100.0)
    every, once = quiet(turns) + pulse, quiet(turns)
    once[0] += turns * pulse
    found = localised_in([spectra(every)], [everywhere(turns)], noise_of(turns), 4096, 0.05)
    assert found is not None
    assert found.angle_deg == pytest.approx(100.0, abs=0.2)
    assert found.height_nm == pytest.approx(0.05, rel=0.02)
    assert localised_in([spectra(once)], [everywhere(turns)], noise_of(turns), 4096, 0.05) is None


def test_a_spike_in_one_of_two_turns_of_a_direction_is_none_either() -> None:
    """The median of two turns is their mean."""
    one, other = quiet(4), quiet(2)
    other[0] += defect(DEGREES, 0.05, 100.0)
    ways, calm = [spectra(one), spectra(other)], [everywhere(4), everywhere(2)]

    assert localised_in(ways, calm, noise_of(5), 4096, 0.05) is None


def test_a_start_that_rings_is_no_defect_and_hides_none() -> None:
    """Two passes of two turns; the first turn of either rings at 100 degrees, every turn has a defect at 250 degrees."""
    passes, back = quiet(4), quiet(2)
    passes[::2] += defect(DEGREES, 0.08, 100.0)
    calm = everywhere(4)
    calm[::2, np.abs(DEGREES - 100) < 20] = False
    settled = [calm, everywhere(2)]
    noise = noise_of(5)
    ringing = localised_in([spectra(passes), spectra(back)], settled, noise, 4096, 0.05)
    pulse = defect(DEGREES, 0.02, 250.0)
    both = localised_in([spectra(passes + pulse), spectra(back + pulse)], settled, noise, 4096, 0.05)

    assert ringing is None
    assert both is not None
    assert both.angle_deg == pytest.approx(250.0, abs=0.2)
    assert both.height_nm == pytest.approx(0.02, rel=0.02)
    assert not both.zones[np.abs(DEGREES - 100) < 10].any()


def test_a_defect_where_every_turn_begins_is_found() -> None:
    """One turn a pass, and all of them begin there: no other turn could say that it is none."""
    pulse = defect(DEGREES, 0.02, 100.0)
    never = [np.zeros((2, 4096), np.bool_), np.zeros((1, 4096), np.bool_)]
    found = localised_in(
        [spectra(quiet(2) + pulse), spectra(quiet(1) + pulse)], never, noise_of(2), 4096, 0.05
    )

    assert found is not None
    assert found.angle_deg == pytest.approx(100.0, abs=0.2)


@pytest.mark.parametrize("direction", [1, -1])
def test_a_turn_has_settled_two_seconds_after_its_pass_began(direction: int) -> None:
    """A turn of 15 s from 90 degrees on: the first 48 degrees, and as far as the filter shows them."""
    bins, first = 360, 90
    travelled = np.arange(2)[:, None] * bins + (np.arange(bins) - first) * direction % bins
    leg = Turns(
        direction=direction,
        n=np.ones((2, bins)),
        torque_nm=np.zeros((2, bins)),
        offset_rad=np.zeros((2, bins)),
        time_s=7.0 + travelled * 15.0 / bins,
        whole=np.array([True, True]),
        first_bin=first,
    )
    settled = settled_in([leg, leg])
    ahead = ((np.arange(bins) - first) * direction + 180) % 360 - 180

    assert settled.shape == (4, bins)
    assert settled[1].all()
    assert settled[3].all()
    assert np.array_equal(settled[0], settled[2])
    assert settled[0][(ahead < -3) | (ahead > 51)].all()
    assert not settled[0][(ahead >= -2) & (ahead <= 50)].any()


def test_a_deviation_over_half_the_turn_is_none_at_an_angle() -> None:
    step = np.tile(np.where(np.arange(4096) < 2048, 0.01, -0.01), (3, 1))
    assert localised_in([spectra(step)], [everywhere(3)], np.full(400, 1e-12), 4096, 0.05) is None


def test_a_pass_that_ends_inside_a_cut_out_zone_keeps_its_level_there() -> None:
    """Four turns of 5 N·m and the first bins of a fifth, all of them in the zone: nothing may fall to 0."""
    bins = 64
    seen = np.ones((5, bins))
    seen[4, 4:] = 0.0
    leg = Turns(
        direction=1,
        n=seen,
        torque_nm=5.0 * seen,
        offset_rad=np.zeros((5, bins)),
        time_s=np.zeros((5, bins)),
        whole=np.array([True] * 4 + [False]),
    )
    torque = np.where(seen > 0, 5.0 + 0.1 * np.cos(3 * (np.arange(bins) + 0.5) * TAU / bins), 0.0)
    fit = fit_orders([collapse(leg, torque)], np.array([3]))
    zones = np.zeros(bins, np.bool_)
    zones[:8] = True
    cut = cut_out(leg, torque, fit, zones, 0.0)
    assert cut[seen > 0] == pytest.approx(torque[seen > 0], abs=1e-9)
