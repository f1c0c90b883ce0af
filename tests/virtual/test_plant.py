"""The plant: torque and encoder counts in closed form, the same however a night is cut into calls."""

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.calibration.bridge import shunt_step_mv_per_v
from nightturn.virtual.condition import SPALL_MEAN, STEP_S, levels_at
from nightturn.virtual.motion import level_course, speed_course, travel_course
from nightturn.virtual.noise import Cable, Noise
from nightturn.virtual.plant import Plant
from nightturn.virtual.products import PAN2, PAN15, PAN20, RAIL_HIGH, RAIL_LOW, Heat, Product
from nightturn.virtual.truth import truth

RATE_HZ = 1000
PER_TURN = 16_384  # samples of a revolution at the test's speed: 64 counts a sample
SPEED_RAD_S = 64 * RATE_HZ * math.tau / 2**20


STEADY_HEAT = Heat(ambient_degc=25.0, ambient_swing_k=0.0, housing_j_per_k=1e15, bearing_k_per_w=0.0)


def quiet(product: Product, delay_s: float = 0.0) -> Product:
    """The product without noise, drift, warming or wear, so that one revolution is like the next."""
    still = {"white_v": 0.0, "flicker_v": 0.0, "hum_v": 0.0, "zero_drift_v_per_h": 0.0, "zero_v_per_k": 0.0}
    return replace(
        product,
        bridge=replace(product.bridge, delay_s=delay_s, **still),
        friction=replace(product.friction, wear_per_10k=0.0, run_in=0.0),
        heat=STEADY_HEAT,
    )


def plant_of(
    product: Product = PAN15, *, noise: bool = False, polarity: int = 1, delay_s: float = 0.0
) -> Plant:
    """A plant; quiet unless `noise`."""
    if not noise:
        product = quiet(product, delay_s)
    bridge_noise = Noise(product.bridge, 11, np.random.default_rng(11))
    return Plant(product, bridge_noise, rate_hz=RATE_HZ, strokes=0.0, polarity=polarity, position=1000.0)


def turn(plant: Plant, rate: float) -> None:
    """Turn at counts per sample from the next sample on."""
    piece = plant.drive.piece(plant.index)
    at = plant.index
    plant.drive.replace(at, speed_course(at, piece.value(at), piece.rate_at(at), rate, 0.5))


def steady_turn(plant: Plant, rate: float) -> npt.NDArray[np.float64]:
    """One whole revolution in N·m with the zero taken off, presliding behind it, in order of time."""
    turn(plant, rate)
    plant.generate(plant.index + 3000)
    raw, _ = plant.generate(plant.index + PER_TURN)
    zero_v = plant.product.bridge.zero_v
    torque: npt.NDArray[np.float64] = (raw * (20 / 2**24) - zero_v) * np.float64(
        plant.product.bridge.factor_nm_per_v
    )
    return torque


@pytest.mark.parametrize("product", [PAN15, PAN20, PAN2], ids=lambda product: product.name)
def test_friction_is_half_the_step_between_the_directions(product: Product) -> None:
    # Nidec Corporation, "Glossary of Motor Terms", entry "Coulomb friction" (nidec.com, read)
    plant = plant_of(product)
    forward = steady_turn(plant, 64.0).mean()
    backward = steady_turn(plant, -64.0).mean()
    expected = levels_at(product, 25.0, 0.0, 0.0, 0.0).running_nm(product, SPEED_RAD_S)
    assert forward < 0 < backward
    assert (backward - forward) / 2 == pytest.approx(expected, abs=1e-6)
    assert (backward + forward) / 2 == pytest.approx(0.0, abs=1e-6)


def test_a_held_torque_adds_itself_and_its_ripple() -> None:
    plant = plant_of()
    plant.torque.replace(0, level_course(0, 0.0, 5.0, 0.02))
    held = steady_turn(plant, 64.0)
    expected = truth(PAN15, plant.condition.levels(), speed_rad_s=SPEED_RAD_S, torque_nm=5.0)
    assert held.mean() == pytest.approx(5.0 - float(str(expected["friction_nm"])), abs=2e-6)
    assert np.ptp(held) == pytest.approx(float(str(expected["ripple_pp_transducer_nm"])), rel=5e-3)


@pytest.mark.parametrize("rate", [64.0, -64.0], ids=["forward", "backward"])
def test_every_order_has_the_amplitude_that_the_truth_states(rate: float) -> None:
    plant = plant_of()
    plant.torque.replace(0, level_course(0, 0.0, 5.0, 0.02))
    spectrum = np.abs(np.fft.rfft(steady_turn(plant, rate))) * 2 / PER_TURN
    orders = truth(
        PAN15, plant.condition.levels(), speed_rad_s=math.copysign(SPEED_RAD_S, rate), torque_nm=5.0
    )["orders"]
    assert isinstance(orders, dict)
    for order, entry in orders.items():
        assert isinstance(entry, dict)
        assert spectrum[int(order)] == pytest.approx(entry["transducer_nm"], abs=1e-6), order
    others = np.delete(spectrum[1:700], [int(order) - 1 for order in orders])
    assert others.max() < 2e-6


def test_the_resonance_raises_a_high_order_when_the_shaft_turns_faster() -> None:
    amplitudes = []
    for rate in (16.0, 64.0, 256.0):
        plant = plant_of()
        turn(plant, rate)
        plant.generate(12_000)
        count = round(2**20 / rate)
        raw, _ = plant.generate(plant.index + count)
        amplitudes.append(abs(np.fft.rfft(raw)[288]) * 2 / count * (20 / 2**24) * 4.0)
    omega_r = math.sqrt(PAN15.stiffness_nm_per_rad / PAN15.inertia_kg_m2)
    for rate, amplitude in zip((16.0, 64.0, 256.0), amplitudes, strict=True):
        ratio = 288 * rate * RATE_HZ * math.tau / 2**20 / omega_r
        zeta = 0.0866
        gain = abs((1 + 2j * zeta * ratio) / (1 - ratio**2 + 2j * zeta * ratio))
        assert amplitude == pytest.approx(0.020 * gain, rel=2e-3)


def test_acceleration_shows_as_inertia() -> None:
    plant = plant_of(replace(PAN15, cogging=(), ripple=()))
    turn(plant, 64.0)  # 0.5 counts per sample² for 128 samples
    raw, _ = plant.generate(2000)
    alpha = 0.5 * RATE_HZ**2 * math.tau / 2**20
    torque = (raw * (20 / 2**24) - PAN15.bridge.zero_v) * 4.0
    friction_before, friction_after = -torque[127] - 0.012 * alpha, -torque[-1]
    assert friction_before == pytest.approx(friction_after, rel=0.02)
    assert torque[127] - torque[128] == pytest.approx(-0.012 * alpha, rel=0.01)


def test_friction_builds_up_over_the_presliding_length_after_a_reversal() -> None:
    plant = plant_of(replace(PAN15, cogging=(), ripple=(), inertia_kg_m2=1e-9))
    steady_turn(plant, 1.0)
    turn(plant, -1.0)
    before = plant.index
    raw, encoder = plant.generate(before + 4000)
    torque = (raw * (20 / 2**24) - PAN15.bridge.zero_v) * 4.0
    travel_rad = np.abs(encoder - encoder[2]) * math.tau / 2**20
    turned = torque[:4] < 0
    assert turned.all()  # still what the forward motion left behind
    levels = plant.condition.levels()
    near = np.argmin(np.abs(travel_rad - levels.coulomb_nm / 60.0))  # one length of presliding
    running = levels.running_nm(PAN15, RATE_HZ * math.tau / 2**20)
    held = -torque[2]
    assert torque[near] == pytest.approx(running - (running + held) * math.exp(-1), rel=0.02)
    assert torque[-1] == pytest.approx(running, rel=1e-3)


def test_wired_the_other_way_round_only_the_sign_of_torque_changes() -> None:
    zero = replace(PAN15, bridge=replace(PAN15.bridge, zero_v=0.0))
    one, other = plant_of(zero), plant_of(zero, polarity=-1)
    for plant in (one, other):
        turn(plant, 64.0)
    raw, encoder = one.generate(5000)
    raw_other, encoder_other = other.generate(5000)
    assert (encoder == encoder_other).all()
    assert (raw == -raw_other).all()


def test_the_converter_stops_at_its_rails() -> None:
    for zero_v, rail in ((11.0, RAIL_HIGH), (-11.0, RAIL_LOW)):
        raw, _ = plant_of(replace(PAN15, bridge=replace(PAN15.bridge, zero_v=zero_v))).generate(100)
        assert (raw == rail).all()


def test_the_shorted_winding_drags_with_speed() -> None:
    plant = plant_of()
    free = steady_turn(plant, 64.0).mean()
    plant.shorted = True
    assert free - steady_turn(plant, 64.0).mean() == pytest.approx(
        PAN15.short_drag_nm_s * SPEED_RAD_S, abs=1e-5
    )


def test_the_shunt_relay_adds_its_volts() -> None:
    plant = plant_of()
    before, _ = plant.generate(10)
    plant.shunt = True
    after, _ = plant.generate(20)
    assert (after[0] - before[-1]) * (20 / 2**24) == pytest.approx(PAN15.bridge.shunt_v, abs=2e-6)


def test_the_step_of_the_shunt_is_that_of_the_bridge_equation() -> None:
    """V/E = R / (4 Rs + 2 R), by own arithmetic from Vishay Micro-Measurements Tech Note TN-514, 514.3 to 514.7."""
    bridge = PAN15.bridge
    published = bridge.arm_ohm / (4 * bridge.shunt_ohm + 2 * bridge.arm_ohm)
    assert bridge.shunt_v == pytest.approx(bridge.gain * bridge.excitation_v * published, rel=1e-12)
    assert 1e3 * published == pytest.approx(shunt_step_mv_per_v(bridge.shunt_ohm, bridge.arm_ohm), rel=1e-12)
    assert bridge.shunt_v == pytest.approx(2.0, rel=1e-12)  # 0.8 mV/V, 8 N·m of this transducer


def test_the_delay_of_the_filter_shifts_torque_against_angle() -> None:
    prompt, late = plant_of(), plant_of(delay_s=0.01)
    for plant in (prompt, late):
        turn(plant, 64.0)
        plant.generate(4000)
    now, _ = prompt.generate(4000 + PER_TURN)
    then, _ = late.generate(4000 + PER_TURN + 10)
    assert np.abs(then[10:] - now).max() <= 1


def test_friction_warms_the_bearing_and_a_held_torque_the_winding() -> None:
    plant = plant_of(noise=True)
    plant.torque.replace(0, level_course(0, 0.0, 10.0, 0.1))
    turn(plant, 200.0)
    plant.generate(600 * RATE_HZ)
    unit = plant.condition
    assert unit.winding_degc > unit.housing_degc > unit.ambient_degc
    assert unit.bearing_degc > unit.ambient_degc
    warm = levels_at(PAN15, unit.bearing_degc, 0.0, 0.0, 0.0).coulomb_nm
    assert warm < levels_at(PAN15, unit.ambient_degc, 0.0, 0.0, 0.0).coulomb_nm
    strokes = 200.0 * 600 * RATE_HZ / 2**20 * math.tau / (1.5 * math.pi)
    assert unit.strokes == pytest.approx(strokes, rel=0.01)
    assert unit.seconds == pytest.approx(600, abs=STEP_S)


def test_a_spall_raises_friction_and_opposes_motion_both_ways() -> None:
    plant = plant_of()
    healthy = steady_turn(plant, 64.0), steady_turn(plant, -64.0)
    plant.condition.began["spall"] = (plant.condition.seconds - 3 * 3600.0, 1.0)
    plant.generate(plant.index + STEP_S * RATE_HZ)  # the next slow step sees it
    damaged = steady_turn(plant, 64.0), steady_turn(plant, -64.0)
    height = plant.condition.spall_nm
    extra = (0.5 + SPALL_MEAN) * height
    assert healthy[0].mean() - damaged[0].mean() == pytest.approx(extra, rel=0.02)
    assert damaged[1].mean() - healthy[1].mean() == pytest.approx(extra, rel=0.02)
    assert np.ptp(damaged[0]) > np.ptp(healthy[0]) + 0.4 * height


def test_an_open_bridge_shows_stretches_at_the_positive_rail() -> None:
    plant = plant_of()
    plant.generate(5000)
    plant.cable, plant.cable_from = Cable(2, 20.0), plant.index
    raw, _ = plant.generate(60_000)
    railed = raw == RAIL_HIGH
    assert 0.001 < railed.mean() < 0.2
    steps = np.flatnonzero(np.diff(np.concatenate(([0], railed.astype(np.int8), [0]))))
    assert (steps[1::2] - steps[::2]).min() >= 3


commands = st.lists(
    st.tuples(
        st.integers(1, 2500),
        st.sampled_from(["speed", "travel", "torque", "cable", "rest"]),
        st.integers(-200, 200),
    ),
    max_size=6,
)


def play(
    plant: Plant, story: list[tuple[int, str, int]], cuts: list[int]
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int64]]:
    """Carry out commands at fixed samples, generating in pieces of the given lengths."""
    parts, lengths, number = [], cuts or [10**9], 0
    for count, what, amount in [*story, (3000, "rest", 0)]:
        end = plant.index + count
        while plant.index < end:
            parts.append(plant.generate(min(end, plant.index + lengths[number % len(lengths)])))
            number += 1
        at, piece = plant.index, plant.drive.piece(plant.index)
        if what == "speed":
            plant.drive.replace(at, speed_course(at, piece.value(at), piece.rate_at(at), amount / 7, 0.3))
        elif what == "travel" and amount and plant.drive.still(at):
            plant.drive.replace(at, travel_course(at, piece.value(at), amount * 300.0, 41.7, 0.3))
        elif what == "torque":
            plant.torque.replace(at, level_course(at, plant.torque.piece(at).value(at), amount / 20, 0.01))
        elif what == "cable":
            plant.cable, plant.cable_from = Cable(1, 20.0), at
    return np.concatenate([raw for raw, _ in parts]), np.concatenate([encoder for _, encoder in parts])


@given(commands, st.lists(st.integers(1, 1500), max_size=8))
@settings(max_examples=40, deadline=None)
def test_samples_do_not_depend_on_how_a_night_is_cut(
    story: list[tuple[int, str, int]], cuts: list[int]
) -> None:
    whole_raw, whole_encoder = play(plant_of(noise=True), story, [])
    raw, encoder = play(plant_of(noise=True), story, cuts)
    assert (raw == whole_raw).all()
    assert (encoder == whole_encoder).all()
