"""Torque over one turn of each leg, its orders and their floor, against what the bench was made of."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.synthetic import TAU, Bench, Clean, Floats, cycles_of, record, waveform
from tests.estimation.test_friction import BENCH, moved

from nightturn.estimation.curves import POINTS_MAX
from nightturn.estimation.finish import finish_cycle
from nightturn.model.figures import Curve, CycleRecord

QUIET = replace(BENCH, noise_nm=0.0005, lag_s=0.0)
FINE = replace(QUIET, rate_hz=1000)


def finished(source: Bench | Clean, **conditions: object) -> CycleRecord:
    recording = record(source, 3) if isinstance(source, Bench) else source.recorded(3)
    (sums,) = cycles_of(recording)
    return finish_cycle(sums, recording.bench.conditions(**conditions), 0, 0, 0, 0)


def curves(source: Bench | Clean, **conditions: object) -> dict[str, Curve]:
    return {curve.leg: curve for curve in finished(source, **conditions).curves}


@pytest.fixture(scope="module")
def plain() -> dict[str, Curve]:
    return curves(QUIET)


def numbers(packed: bytes) -> Floats:
    return np.frombuffer(packed, "<f4").astype(np.float64)


def test_the_three_legs_are_torque_over_angle_and_the_gap_is_twice_the_friction() -> None:
    by_leg = curves(FINE)
    assert list(by_leg) == ["forward", "back", "hold"]
    forward, back, hold = (numbers(by_leg[leg].torque_nm) for leg in by_leg)
    points = len(forward)
    assert points == POINTS_MAX
    angle = (np.arange(points) + 0.5) / points * TAU
    zero_nm = float(forward.mean() + back.mean()) / 2
    truth = waveform(angle, QUIET.cogging)
    # a point is a mean over a thousandth of a turn, which takes 1 % from order 84
    assert forward == pytest.approx(truth - QUIET.friction_nm + zero_nm, abs=0.001)
    assert back == pytest.approx(truth + QUIET.friction_nm + zero_nm, abs=0.001)
    assert back.mean() - forward.mean() == pytest.approx(2 * QUIET.friction_nm, rel=0.001)
    loaded = truth + waveform(angle, QUIET.ripple) + QUIET.hold_nm - QUIET.friction_nm
    assert hold == pytest.approx(loaded + zero_nm, abs=0.001)


def test_turns_and_senses_are_those_of_the_plan(plain: dict[str, Curve]) -> None:
    assert {leg: (curve.direction, curve.turns) for leg, curve in plain.items()} == {
        "forward": (1, 4),  # forward, back, forward, two turns each
        "back": (-1, 2),
        "hold": (1, 3),
    }


def test_orders_are_those_of_the_bench_and_noise_is_their_floor() -> None:
    noisy = replace(FINE, noise_nm=0.02)
    curve = curves(noisy)["forward"]
    amplitude, floor = numbers(curve.amplitude_nm), numbers(curve.floor_nm)
    for order, peak_nm in noisy.cogging.items():
        assert amplitude[order - 1] == pytest.approx(peak_nm, abs=4 * floor[order - 1])
    # Four turns of ten thousand samples each: c = 2/n Σ x e has E|c|² = 4 σ²/n.
    assert np.median(floor) == pytest.approx(2 * 0.02 / np.sqrt(4 * 10_000), rel=0.15)
    away = np.setdiff1d(np.arange(1, len(amplitude) + 1), list(noisy.cogging))
    assert np.mean(amplitude[away - 1] < 3 * floor[away - 1]) > 0.99  # Rayleigh: 1 - e^-9


def test_one_turn_says_nothing_of_its_floor() -> None:
    curve = curves(replace(QUIET, slow_turns=1.0, hold_turns=1.0))["hold"]
    assert (curve.turns, curve.floor_nm) == (1, b"")
    assert len(curve.amplitude_nm) > 0


def test_a_hole_in_the_angle_is_a_hole_in_the_curve_and_gives_no_orders() -> None:
    (sums,) = cycles_of(record(QUIET, 3))
    for leg in sums.legs:
        leg.sums[:, :, 400:800] = 0
    (curve, *_) = finish_cycle(sums, QUIET.conditions(), 0, 0, 0, 0).curves
    torque = numbers(curve.torque_nm)
    points = len(torque)
    assert np.isnan(torque[points * 400 // 4096 + 1 : points * 800 // 4096 - 1]).all()
    assert np.isfinite(torque[points * 800 // 4096 + 1 :]).all()
    assert (curve.amplitude_nm, curve.floor_nm) == (b"", b"")


def test_a_cycle_without_a_whole_turn_has_no_curve() -> None:
    assert finished(replace(QUIET, slow_turns=0.3, hold_nm=0.0)).curves == ()


def test_the_drift_of_the_zero_is_not_in_the_curve(plain: dict[str, Curve]) -> None:
    drifting = curves(moved(QUIET, lambda share, _: 0.05 * share))
    for leg, curve in plain.items():
        apart = numbers(drifting[leg].torque_nm) - numbers(curve.torque_nm)
        assert np.ptp(apart) < 0.001, leg


@settings(max_examples=5)
@given(st.integers(1, 20_000))
def test_any_split_into_tiles_gives_the_same_bytes(tile: int) -> None:
    (whole,), (split,) = (cycles_of(record(QUIET, 3), size) for size in (20_000, max(tile, 97)))
    now, then = (finish_cycle(each, QUIET.conditions(), 0, 0, 0, 0).curves for each in (whole, split))
    assert now == then


def test_a_declared_sense_that_runs_against_the_encoder_mirrors_the_angle(plain: dict[str, Curve]) -> None:
    mirrored = curves(replace(QUIET, sense=-1))
    assert mirrored["forward"].direction == plain["forward"].direction == 1
    apart = numbers(mirrored["forward"].torque_nm) - numbers(plain["forward"].torque_nm)
    assert np.abs(apart).max() < 0.002
