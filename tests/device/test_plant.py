"""The bench plant measured: what comes out of it is what its header names as the truth."""

import math
import shutil
import subprocess
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.build import DEVICE
from tests.device.plant import (
    COUNTS_PER_NM,
    COUNTS_PER_RAD,
    COUNTS_PER_REV,
    Plant,
    Taken,
    friction_nm,
    library,
    named,
    order_table,
)

from nightturn_protocol.messages import Axis, Input, Output, SampleFlag

SPEED_RAD_S = 2 * math.pi / 4.096  # one turn takes 4096 samples at 1 kHz
TURN_SAMPLES = 4096
TURNS = 16
RAIL = (1 << 23) - 1
TOOL = "arm-none-eabi-gcc"


def cruising(plant: Plant, speed_rad_s: float, turns: int = TURNS) -> Taken:
    """Whole turns at a steady speed."""
    plant.turn(speed_rad_s, 20.0)
    plant.take(2000)
    return plant.take(turns * TURN_SAMPLES)


def amplitude_and_phase(taken: Taken, order: int) -> tuple[float, float]:
    """Of sin(order * angle + phase) in the torque, N·m, by least squares over whole turns."""
    angle = taken.encoder / COUNTS_PER_RAD
    torque = taken.torque - taken.torque.mean()
    in_phase = 2 * float(np.mean(torque * np.sin(order * angle)))
    across = 2 * float(np.mean(torque * np.cos(order * angle)))
    return math.hypot(in_phase, across) / COUNTS_PER_NM, math.atan2(across, in_phase)


def noise_nm(samples: int) -> float:
    """Standard deviation of an amplitude from so many samples."""
    return math.sqrt(2 / samples) * named()["NOISE_COUNTS"] / COUNTS_PER_NM


def cogging_nm(counts: int) -> float:
    """Cogging at an encoder position."""
    angle = counts / COUNTS_PER_RAD
    table = order_table(ripple=False)
    return sum(each.amplitude * math.sin(each.order * angle + each.phase_rad) for each in table)


def same(a: Taken, b: Taken) -> bool:
    return bool((a.torque == b.torque).all() and (a.encoder == b.encoder).all())


def played(seed: int, cuts: list[int]) -> npt.NDArray[np.int32]:
    plant = Plant(seed)
    plant.turn(1.0)
    plant.hold(3.0)
    return np.concatenate([plant.take(count).torque for count in cuts])


@given(st.lists(st.integers(1, 400), min_size=1, max_size=8))
def test_samples_do_not_depend_on_how_they_are_cut(cuts: list[int]) -> None:
    assert (played(3, cuts) == played(3, [sum(cuts)])).all()


def test_the_same_seed_is_the_same_unit_and_another_seed_another() -> None:
    first, again, other = (Plant(seed).take(1000) for seed in (5, 5, 6))
    assert same(first, again)
    assert not same(first, other)
    assert first.encoder[0] != other.encoder[0]


def test_seeds_give_zeros_within_their_spread_and_angles_within_a_turn() -> None:
    zeros, angles = [], []
    for seed in range(200):
        plant = Plant(seed)
        zeros.append(plant.zero)
        angles.append(int(plant.take(1).encoder[0]))
    spread = named()["ZERO_SPREAD"]
    away = np.array(zeros) - named()["ZERO_COUNTS"]
    assert abs(away).max() <= spread
    assert away.min() < -spread / 2 < spread / 2 < away.max()
    assert min(angles) >= 0
    assert max(angles) < COUNTS_PER_REV
    assert np.ptp(angles) > COUNTS_PER_REV / 2


def test_at_rest_there_is_zero_cogging_and_noise() -> None:
    plant = Plant(4)
    taken = plant.take(40_000)
    cogging = cogging_nm(int(taken.encoder[0]))
    rms = named()["NOISE_COUNTS"]
    assert taken.torque.mean() == pytest.approx(plant.zero + cogging * COUNTS_PER_NM, abs=5 * rms / 200)
    assert taken.torque.std() == pytest.approx(rms, rel=0.02)
    assert np.ptp(taken.encoder) == 0
    pairs = np.corrcoef(taken.torque[:-1], taken.torque[1:])[0, 1]
    assert abs(pairs) < 5 / math.sqrt(len(taken.torque))  # neighbours know nothing of each other


@pytest.mark.parametrize("shorted", [False, True])
@pytest.mark.parametrize("speed_rad_s", [SPEED_RAD_S, 2 * SPEED_RAD_S])
def test_the_step_between_both_directions_is_twice_the_named_friction(
    speed_rad_s: float, shorted: bool
) -> None:
    plant = Plant(2)
    plant.switch(Output.WINDING, on=shorted)
    forward = cruising(plant, speed_rad_s).torque.mean()
    back = cruising(plant, -speed_rad_s).torque.mean()
    u_nm = named()["NOISE_COUNTS"] / COUNTS_PER_NM / math.sqrt(TURNS * TURN_SAMPLES)
    expected = friction_nm(speed_rad_s, shorted=shorted)
    assert (back - forward) / 2 / COUNTS_PER_NM == pytest.approx(expected, abs=5 * u_nm, rel=1e-4)
    assert (back + forward) / 2 == pytest.approx(plant.zero, abs=5)


def test_breaking_away_takes_more_than_turning_on() -> None:
    plant = Plant(2)
    slow_rad_s = named()["BREAKAWAY_URAD_S"] * 1e-6 / 2  # half of the surplus is left
    levels = []
    for speed_rad_s in (slow_rad_s, -slow_rad_s):
        plant.turn(speed_rad_s, 100.0)
        plant.take(2000)
        taken = plant.take(round(COUNTS_PER_REV / (slow_rad_s * COUNTS_PER_RAD) * 1000))
        levels.append(taken.torque.mean())
    surplus_nm = named()["BREAKAWAY_UNM"] * 1e-6 / 2
    assert (levels[1] - levels[0]) / 2 / COUNTS_PER_NM == pytest.approx(
        friction_nm(slow_rad_s) + surplus_nm, rel=5e-4
    )


def test_friction_turns_over_within_the_presliding_and_stays_when_the_shaft_stops() -> None:
    plant = Plant(2)
    presliding = named()["PRESLIDING_COUNTS"]
    static_nm = (named()["COULOMB_UNM"] + named()["BREAKAWAY_UNM"]) * 1e-6
    levels = []
    for counts in (4 * presliding, -presliding, -presliding):
        plant.travel(counts, 1.0, 20.0)
        plant.settle()
        here = plant.take(20_000)
        torque_nm = float(here.torque.mean() - plant.zero) / COUNTS_PER_NM
        levels.append(torque_nm - cogging_nm(int(here.encoder[0])))
    assert levels == pytest.approx([-static_nm, 0.0, static_nm], abs=2e-4)


def test_cogging_has_its_named_amplitudes_and_phases() -> None:
    taken = cruising(Plant(9), SPEED_RAD_S)
    u_nm = noise_nm(len(taken.torque))
    for expected in order_table(ripple=False):
        size, phase = amplitude_and_phase(taken, expected.order)
        assert size == pytest.approx(expected.amplitude, abs=5 * u_nm, rel=1e-3)
        turned = (phase - expected.phase_rad + math.pi) % math.tau - math.pi
        assert abs(turned) < 5 * u_nm / expected.amplitude + 0.005


@pytest.mark.parametrize("torque_nm", [15.0, -6.0])
def test_ripple_is_its_named_part_of_the_set_torque(torque_nm: float) -> None:
    plant = Plant(9)
    plant.hold(torque_nm)
    taken = cruising(plant, SPEED_RAD_S)
    for each in order_table(ripple=True):
        known = sum(
            (
                cog.amplitude * np.exp(1j * cog.phase_rad)
                for cog in order_table(ripple=False)
                if cog.order == each.order
            ),
            0j,
        )
        expected = known + torque_nm * each.amplitude * np.exp(1j * each.phase_rad)
        size, phase = amplitude_and_phase(taken, each.order)
        assert size * np.exp(1j * phase) == pytest.approx(
            expected, abs=5 * noise_nm(len(taken.torque)) + 3e-5
        )


def test_the_actuator_reaches_its_torque_on_its_ramp_and_falls_back() -> None:
    plant = Plant(3)
    before = plant.take(500).torque.mean()
    plant.hold(12.0, 24.0)  # half a second
    rising = plant.take(500).torque - before
    assert rising[249] / COUNTS_PER_NM == pytest.approx(6.0, abs=0.05)
    held = plant.take(500)
    assert (held.torque.mean() - before) / COUNTS_PER_NM == pytest.approx(12.0, abs=12 * 0.002)
    assert (held.inputs & Input.WINDING_ENERGISED).all()
    plant.off(Axis.ACTUATOR)
    after = plant.take(1000)
    assert not (after.inputs & Input.WINDING_ENERGISED).any()
    assert after.torque[500:].mean() == pytest.approx(before, abs=50)


def test_the_shunt_adds_its_named_step() -> None:
    plant = Plant(3)
    before = plant.take(2000).torque.mean()
    plant.switch(Output.SHUNT, on=True)
    step = plant.take(2000).torque.mean() - before
    assert step / COUNTS_PER_NM == pytest.approx(named()["SHUNT_UNM"] * 1e-6, abs=2e-4)
    plant.switch(Output.SHUNT, on=False)
    assert plant.take(2000).torque.mean() == pytest.approx(before, abs=40)


def test_the_input_word_says_what_the_bench_does() -> None:
    plant = Plant(3)
    healthy = (
        Input.GUARD_CLOSED
        | Input.STOP_CHAIN_HEALTHY
        | Input.DRIVE_READY
        | Input.BRAKE_RELEASED
        | Input.INDEX_SEEN
    )

    def word() -> int:
        return int(plant.take(1).inputs[0])

    assert word() == healthy
    plant.ready(ready=False)
    assert word() == healthy & ~Input.DRIVE_READY
    plant.ready(ready=True)
    plant.switch(Output.BRAKE, on=True)
    plant.switch(Output.WINDING, on=True)
    assert word() == (healthy & ~Input.BRAKE_RELEASED) | Input.WINDING_SHORTED
    plant.switch(Output.BRAKE, on=False)
    plant.switch(Output.WINDING, on=False)
    for fault, changed in (
        ("GUARD_OPEN", Input.GUARD_CLOSED),
        ("STOP_CHAIN_OPEN", Input.STOP_CHAIN_HEALTHY),
        ("DRIVE_FAILED", Input.DRIVE_FAULT),
    ):
        plant.fault(fault)
        assert word() == healthy ^ changed
        plant.fault(fault, there=False)
    assert word() == healthy


def test_an_open_or_saturated_bridge_is_at_the_rail_and_only_the_open_one_is_flagged() -> None:
    plant = Plant(3)
    for fault, flag in (("BRIDGE_OPEN", SampleFlag.BRIDGE_FAULT), ("SATURATED", 0)):
        plant.fault(fault)
        taken = plant.take(10)
        assert (taken.torque == RAIL).all()
        assert (taken.flags == flag).all()
        plant.fault(fault, there=False)
        taken = plant.take(10)
        assert abs(taken.torque).max() < RAIL / 100
        assert not taken.flags.any()


def test_a_blind_encoder_stands_still_while_the_shaft_turns_and_finds_it_again() -> None:
    plant = Plant(3)
    plant.turn(3.0, 20.0)
    before = plant.take(1000).encoder[-1]
    plant.fault("ENCODER_BLIND")
    blind = plant.take(1000)
    assert (blind.encoder == before).all()
    assert (blind.flags == SampleFlag.ENCODER_FAULT).all()
    plant.fault("ENCODER_BLIND", there=False)
    seeing = plant.take(1)
    assert not seeing.flags.any()
    assert seeing.encoder[0] - before == pytest.approx(3.0 * 1.001 * COUNTS_PER_RAD, rel=1e-5)


def test_a_loaded_unit_warms_slowly_and_a_broken_or_hot_sensor_says_so() -> None:
    plant = Plant(3, 100)
    assert plant.slow() == [22.0, 22.0, 22.0, 22.0, 22.0, 24.0, 5.0]
    plant.hold(15.0)
    plant.turn(6.0, 20.0)
    minutes = []
    for _ in range(30):
        plant.take(60 * 100)
        minutes.append(plant.slow())
    housing, winding, bearing, bridge, ambient, *_ = np.array(minutes).T
    for channel in (housing, winding, bearing, bridge):
        assert (np.diff(channel) > 0).all()
    assert (winding > housing).all()
    assert bearing[-1] > housing[-1]  # at first it lags behind
    assert 60 < winding[-1] < named()["WINDING_DEGC_MAX"]
    assert (ambient == 22.0).all()
    plant.fault("WINDING_HOT")
    assert plant.slow()[1] == named()["HOT_DEGC"] > named()["WINDING_DEGC_MAX"]
    plant.fault("WINDING_UNKNOWN")
    assert math.isnan(plant.slow()[1])


def test_the_line_of_the_motion_lease_is_kept_for_who_looks() -> None:
    plant = Plant()
    seen = [plant.lease_live]
    for live in (True, False):
        plant.lease(live=live)
        seen.append(plant.lease_live)
    assert seen == [False, True, False]


@pytest.mark.parametrize("rate_hz", [100, 1000, 20_000])
def test_friction_is_the_same_at_each_rate(rate_hz: int) -> None:
    plant = Plant(8, rate_hz)
    levels = []
    turn = round(math.tau / 3.0 * rate_hz)
    for speed_rad_s in (3.0, -3.0):
        plant.turn(speed_rad_s, 30.0)
        plant.take(rate_hz)
        levels.append(plant.take(20 * turn).torque.mean())
    u_nm = named()["NOISE_COUNTS"] / COUNTS_PER_NM / math.sqrt(20 * turn)
    assert (levels[1] - levels[0]) / 2 / COUNTS_PER_NM == pytest.approx(friction_nm(3.0), abs=5 * u_nm + 3e-5)


def test_every_entry_of_the_sine_table_and_all_between_are_right() -> None:
    angles = np.arange(0, 1 << 32, (1 << 32) // 16_384 + 12_345, dtype=np.uint64)
    found = [library().nt_plant_sine(int(angle)) for angle in angles]
    expected = 32_767 * np.sin(angles * (2 * np.pi / (1 << 32)))
    assert abs(np.array(found) - expected).max() < 4
    exact = [library().nt_plant_sine(cell << 24) for cell in range(256)]
    assert exact == [round(32_767 * math.sin(math.tau * cell / 256)) for cell in range(256)]


@pytest.mark.parametrize("source", ["nt_plant.c", "nt_plant_axis.c", "nt_plant_sine.c", "nt_plant_heat.c"])
def test_what_runs_for_each_sample_asks_a_cortex_m3_for_no_floating_point(
    source: str, tmp_path: Path
) -> None:
    assert shutil.which(TOOL), f"{TOOL} is missing: tests/run installs it (Debian package gcc-arm-none-eabi)"
    options = ["-std=c99", "-O2", "-mcpu=cortex-m3", "-mthumb", "-Icore", "-Iports/plant"]
    made = tmp_path / "made.o"
    subprocess.run([TOOL, *options, "-c", f"ports/plant/{source}", "-o", made], cwd=DEVICE, check=True)
    asked = subprocess.check_output(["arm-none-eabi-nm", "-u", made], text=True).split()
    floating = [
        name for name in asked if name.startswith(("__aeabi_f", "__aeabi_d", "__aeabi_i2", "__aeabi_l2"))
    ]
    assert floating == []
