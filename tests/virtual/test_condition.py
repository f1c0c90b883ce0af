"""What breaks slowly, and a hall that cools: size, course and what the samples show of it, each beside the sound unit."""

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.virtual.test_plant import PER_TURN, RATE_HZ, SPEED_RAD_S, plant_of, steady_turn

from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.condition import COOLING_K, STEP_S, STIFFNESS_LEAST, Condition, Work
from nightturn.virtual.faults import Fault, parse_fault
from nightturn.virtual.plant import Plant
from nightturn.virtual.products import PAN15, Heat
from nightturn.virtual.truth import truth

IDLE = Work(0.0, 0.0, 0.0)
STEADY = replace(PAN15, heat=Heat(ambient_swing_k=0.0))


def after(condition: Condition, hours: float) -> Condition:
    for _ in range(round(hours * 3600 / STEP_S)):
        condition.step(IDLE)
    return condition


def broken(kind: str, hours: float, size: float = 1.0) -> Plant:
    """A quiet plant on which something began to break so long ago."""
    plant = plant_of()
    plant.condition.began[kind] = (plant.condition.seconds - hours * 3600.0, size)
    plant.generate(plant.index + STEP_S * RATE_HZ)  # the next slow step sees it
    return plant


def test_a_chipped_magnet_shows_as_it_passes_each_slot_in_both_directions_and_has_no_mean() -> None:
    sound, chipped = plant_of(), broken("chip", 0.0)
    sound.generate(sound.index + STEP_S * RATE_HZ)
    off_140 = []
    for rate in (64.0, -64.0):
        apart = steady_turn(chipped, rate) - steady_turn(sound, rate)
        assert apart.mean() == pytest.approx(0.0, abs=1e-5)
        assert np.ptp(apart) == pytest.approx(PAN15.chip_nm, rel=0.02)
        spectrum = 2 * np.abs(np.fft.rfft(apart)) / len(apart)
        assert {*np.flatnonzero(spectrum > 2e-4).tolist()} <= {36 * times for times in range(1, 20)}
        # 36 pulses a turn of height P and width s: 2 P 36/(2 pi) s sqrt(2 pi) exp(-(36 s)^2/2), by the Fourier integral of a Gaussian
        width = np.radians(0.5)
        first = (
            2
            * PAN15.chip_nm
            * 36
            / (2 * np.pi)
            * width
            * np.sqrt(2 * np.pi)
            * np.exp(-((36 * width) ** 2) / 2)
        )
        assert spectrum[36] == pytest.approx(first, rel=0.02)
        last = chipped.drive.piece(chipped.index).value(chipped.index)
        position = last - rate * (PER_TURN - int(apart.argmax()))
        off_140.append((position / 2**20 * 360.0 - 140.0 + 5.0) % 10.0 - 5.0)
    assert off_140 == pytest.approx([0.0, 0.0], abs=0.1)


def test_a_loosening_coupling_lowers_the_resonance_and_so_raises_the_orders_below_it() -> None:
    sound, loose = plant_of(), broken("coupling", 100.0)
    seen = [
        truth(PAN15, plant.condition.levels(), speed_rad_s=SPEED_RAD_S)["cogging_pp_transducer_nm"]
        for plant in (sound, loose)
    ]
    assert loose.condition.stiffness == pytest.approx(0.5)
    assert isinstance(seen[0], float)
    assert isinstance(seen[1], float)
    # Order 288 lies at 17.6 Hz and the resonance at 92 Hz, then at 65 Hz: 1/(1 - r²) is 1.038, then 1.079; order 576 more.
    assert seen[1] / seen[0] > 1.03


def test_what_is_sampled_of_a_loose_coupling_is_the_truth_of_its_stiffness() -> None:
    loose = broken("coupling", 100.0)
    torque = steady_turn(loose, 64.0)
    levels = loose.condition.levels()
    told = truth(loose.product, levels, speed_rad_s=SPEED_RAD_S)["cogging_pp_transducer_nm"]
    assert np.ptp(torque) == pytest.approx(told, rel=0.005)


def test_stiffness_falls_in_steps_and_never_to_nothing() -> None:
    condition = Condition(PAN15, 0.0)
    condition.begin("coupling", 1.0)
    seen = {condition.stiffness, *(after(condition, 0.5).stiffness for _ in range(12))}
    assert max(seen) == 1.0
    assert 0.5 <= min(seen) < 0.55
    assert all(abs(share / 0.02 - round(share / 0.02)) < 1e-9 for share in seen)
    condition.begin("coupling", 100.0)
    assert after(condition, 2.0).stiffness == pytest.approx(STIFFNESS_LEAST)


def test_the_zero_of_a_drifting_bridge_goes_on_by_the_hour_from_its_onset() -> None:
    sound, drifting = Condition(STEADY, 0.0), Condition(STEADY, 0.0)
    drifting.begin("zero", 3.0)
    apart = after(drifting, 1.0).levels().zero_v - after(sound, 1.0).levels().zero_v
    assert apart == pytest.approx(3 * 2e-3)


def test_a_cooling_hall_takes_the_unit_with_it() -> None:
    hall = Condition(STEADY, 0.0)
    hall.begin("cooling", 1.0)
    after(hall, 12.0)
    assert hall.ambient_degc == pytest.approx(STEADY.heat.ambient_degc - COOLING_K, abs=0.01)
    assert hall.bearing_degc == pytest.approx(hall.ambient_degc, abs=0.05)
    assert hall.levels().coulomb_nm > Condition(STEADY, 0.0).levels().coulomb_nm * 1.02


@pytest.mark.parametrize("kind", ["spall", "chip", "coupling", "zero", "cooling"])
def test_each_is_switched_on_by_its_word_at_its_time(kind: str) -> None:
    device = from_spec(f"pan15?seed=3&fault={kind}@10s*2").build()
    device.advance(9_000_000_000)
    assert device.plant.condition.began == {}
    device.advance(11_000_000_000)
    assert [(name, size) for name, (_, size) in device.plant.condition.began.items()] == [(kind, 2.0)]
    assert parse_fault(f"{kind}@10s*2") == Fault(kind, 10_000_000_000, 0, 2.0)


def test_nothing_moves_before_anything_has_begun() -> None:
    levels = Condition(PAN15, 0.0).levels()
    assert (levels.chip_nm, levels.stiffness, levels.spall_nm) == (0.0, 1.0, 0.0)
    assert math.isclose(Condition(STEADY, 0.0).ambient_degc, STEADY.heat.ambient_degc)
