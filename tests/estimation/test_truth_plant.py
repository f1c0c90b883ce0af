"""The generator of signals with known truth, held to mathematics, to published friction values and to its own ODE plant."""

import ast
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from tests.benchmarks import truth
from tests.benchmarks.truth.closed_form import record, tables_of, torque_of, truth_of
from tests.benchmarks.truth.draws import SOFT, STIFF, machine
from tests.benchmarks.truth.families import FAMILIES
from tests.benchmarks.truth.family import ALL
from tests.benchmarks.truth.motion import motion_of
from tests.benchmarks.truth.noises import coupling, flicker, from_drive, response_of
from tests.benchmarks.truth.ode import Friction, friction_from_rest, record_ode, solved, truth_ode
from tests.benchmarks.truth.patterns import (
    Complexes,
    Defect,
    Floats,
    over,
    peak_to_peak,
    seen,
    table,
    turned,
    unequal_machine,
)
from tests.benchmarks.truth.signals import Dynamics, Plan, Signal

TAU = 2 * np.pi
GENERATOR = ("patterns", "signals", "motion", "noises", "closed_form", "ode")
SHORT = Plan(rate_hz=1000, slow_rpm=12.0, hold_rpm=12.0, slow_turns=1.5, hold_turns=2.0)

# Parameters of Canudas de Wit, Olsson, Åström and Lischinsky, "A new model for control of systems with friction", IEEE
# Transactions on Automatic Control 40(3), 1995, 419-425, Table 1 (the parameters from memory; the values follow from them).
LUGRE_1995 = Friction(1e5, np.sqrt(1e5), 1.0, 1.5, 1e-3, 0.4)


def quiet(**changes: object) -> Signal:
    """The base machine without noise."""
    return machine(np.random.default_rng(3), 0.0, **changes)


@pytest.mark.parametrize("name", GENERATOR)
def test_the_generator_knows_nothing_of_the_product(name: str) -> None:
    folder = Path(next(iter(truth.__path__)))
    tree = ast.parse((folder / f"{name}.py").read_text(encoding="utf-8"))
    modules = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    modules += [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    own = [module.rpartition(".")[2] for module in modules if module.startswith("tests.")]

    assert modules
    assert not [module for module in modules if module.startswith(("nightturn", "generat", "device"))]
    assert set(own) <= set(GENERATOR)


@settings(max_examples=15)
@given(
    st.dictionaries(st.integers(1, 700), st.floats(1e-4, 0.05), min_size=1, max_size=12),
    st.integers(0, 2**32 - 1),
)
def test_the_true_peak_to_peak_is_that_of_the_cosines_themselves(
    amplitudes: dict[int, float], seed: int
) -> None:
    orders = turned(amplitudes, np.random.default_rng(seed))
    angle = np.linspace(0.0, TAU, 100_001)
    wave = np.zeros_like(angle)
    for order, amplitude in orders.items():
        wave += np.abs(amplitude) * np.cos(order * angle + np.angle(amplitude))

    assert peak_to_peak(table(orders)) == pytest.approx(float(np.ptp(wave)), rel=3e-4)


@settings(max_examples=15)
@given(
    st.dictionaries(st.integers(1, 700), st.floats(1e-4, 0.05), min_size=1, max_size=12),
    st.integers(0, 2**32 - 1),
)
def test_the_true_rms_keeps_the_power_of_the_orders(amplitudes: dict[int, float], seed: int) -> None:
    made = quiet(cogging=turned(amplitudes, np.random.default_rng(seed)), ripple={})

    assert truth_of(made).ripple_rms_nm ** 2 == pytest.approx(
        sum(a * a for a in amplitudes.values()) / 2, rel=1e-9
    )


def test_a_table_between_its_points_is_the_cosine_within_its_bend() -> None:
    angle = np.random.default_rng(0).uniform(-50.0, 50.0, 10_000)

    found = over(table({700: 0.01 + 0j}), angle)

    assert np.abs(found - 0.01 * np.cos(700 * angle)).max() < 2e-4 * 0.01


def test_noiseless_torque_over_whole_turns_shows_the_orders_that_were_put_in_and_no_others() -> None:
    cogging = {1: 0.003 + 0j, 24: 0.004j, 168: -0.016 + 0j}
    made = quiet(plan=replace(SHORT, rate_hz=2000), cogging=cogging, ripple={}, start_rad=0.0, zero_nm=0.0)
    motion = motion_of(made.plan)
    torque = torque_of(made, np.random.default_rng(0), motion)
    leg = motion.slow[0]
    count = round(made.plan.rate_hz * 60 / made.plan.slow_rpm)  # samples of one turn
    first = leg.steady_start + 50
    lines = np.fft.rfft(torque[first : first + count])[: count // 2] * (2 / count)
    turned_back = lines * np.exp(-1j * np.arange(len(lines)) * motion.angle_rad[first])

    assert lines[0].real / 2 == pytest.approx(-made.friction_at(leg.speed_rad_s), abs=1e-9)
    for order, amplitude in cogging.items():
        assert turned_back[order] == pytest.approx(amplitude, abs=2e-6)
    rest = np.delete(np.abs(lines), [0, *cogging])
    assert rest.max() < 2e-6


def test_half_the_step_between_turning_senses_is_friction_and_half_the_sum_is_cogging() -> None:
    """Exact by arithmetic: T = c(theta) -+ (Fc + B w), so (T- - T+)/2 = Fc + B w and (T+ + T-)/2 = c(theta)."""
    cogging = {72: 0.04 * np.exp(0.2j), 9: 0.01 + 0j}
    found = {}
    for speed in (1.0, 5.0):
        rpm = speed * 60 / TAU
        plan = replace(SHORT, slow_rpm=rpm, hold_rpm=rpm, ramp_rad_s2=50.0)
        made = quiet(plan=plan, cogging=cogging, ripple={}, coulomb_nm=0.12, viscous_nm_s=0.003, zero_nm=0.0)
        motion = motion_of(plan)
        torque = torque_of(made, np.random.default_rng(0), motion)
        angle = motion.angle_rad + made.start_rad
        forward, backward = motion.slow[0].steady, motion.slow[1].steady
        own = table(cogging)
        with_ = torque[forward] - over(own, angle[forward])
        against = torque[backward] - over(own, angle[backward])
        found[speed] = float((against.mean() - with_.mean()) / 2)

        assert with_.std() < 1e-12
        assert against.std() < 1e-12
        assert found[speed] == pytest.approx(truth_of(made).friction_nm, abs=1e-12)
    viscous = (found[5.0] - found[1.0]) / 4.0

    assert found[5.0] == pytest.approx(0.135, abs=1e-12)
    assert viscous == pytest.approx(0.003, abs=1e-12)
    assert found[1.0] - viscous == pytest.approx(0.12, abs=1e-12)


@pytest.mark.parametrize(
    ("speed", "force"),
    [(1e-5, 1.499954002), (1e-4, 1.495064917), (5e-4, 1.389600392), (1e-3, 1.184339721), (2e-3, 1.009957819),
     (5e-3, 1.002), (1e-2, 1.004), (0.1, 1.04), (1.0, 1.4)],
)  # fmt: skip
def test_settled_friction_follows_the_lugre_curve_of_canudas_de_wit_1995(speed: float, force: float) -> None:
    settled = friction_from_rest(LUGRE_1995, speed, 1.0, 200)[-1]

    assert settled == pytest.approx(force, rel=1e-9)


@pytest.mark.parametrize("step_s", [1e-4, 1e-5])
def test_a_step_of_speed_follows_the_lugre_bristle_of_canudas_de_wit_1995_at_any_step(step_s: float) -> None:
    times = (1e-4, 1e-3, 5e-3, 1e-2, 0.1)
    forces = (0.323925923, 0.386908131, 0.615532819, 0.811472562, 1.184153443)
    found = friction_from_rest(LUGRE_1995, 1e-3, step_s, round(0.1 / step_s))

    assert [found[round(t / step_s) - 1] for t in times] == pytest.approx(forces, rel=2e-9)


def test_presliding_follows_dahl_from_rest() -> None:
    """P. R. Dahl, "A solid friction model", The Aerospace Corporation, TOR-0158(3107-18)-1, 1968 (title from memory)."""
    law = Friction(1e5, 0.0, 1.0, 1.0, 1e-3, 0.0)
    found = friction_from_rest(law, 1e-3, 1e-3, 50)  # 1 µm a step

    assert found[[0, 9, 19, 49]] == pytest.approx(
        (0.095162582, 0.632120559, 0.864664717, 0.993262053), abs=1e-9
    )


@pytest.mark.parametrize("plant", [STIFF, SOFT], ids=["stiff", "soft"])
def test_the_ode_in_steady_phases_is_the_closed_form_behind_its_coupling(plant: Dynamics) -> None:
    made = quiet(dynamics=plant, plan=replace(SHORT, rate_hz=2500, slow_rpm=4.0, hold_rpm=4.0))
    motion = motion_of(made.plan)
    _, unit, torque = solved(made, motion)
    tables = tables_of(made)
    for leg in motion.legs:
        steady = slice(leg.steady_start + 2500, leg.steady_stop)  # a second for the coupling to ring down
        wave = tables["cogging"] + (tables["ripple"] if leg.loaded else 0.0)

        def response(frequency_hz: Floats, way: int = leg.way) -> Complexes:
            gain = coupling(plant, made.viscous_nm_s, frequency_hz)
            return gain if way > 0 else np.conj(gain)

        expected = over(seen(wave, response, leg.speed_rad_s), unit[steady])
        expected += leg.loaded * made.plan.hold_nm - leg.way * made.friction_at(leg.speed_rad_s)
        off = torque[steady] - expected

        assert abs(off.mean()) < 2e-6
        assert off.std() < 6e-5  # 0.4 % of the pattern's; the solver's first order in its step of 0.1 ms
        assert np.abs(off).max() < 2e-4


def test_what_the_drives_own_torque_makes_the_transducer_read_is_its_linear_path() -> None:
    plant = replace(STIFF, gain_nm_s=20.0, integral_nm=200.0, drive_orders={24: 0.1 + 0j})
    made = quiet(dynamics=plant, plan=replace(SHORT, rate_hz=2500), cogging={}, ripple={})
    motion = motion_of(made.plan)
    angle, _, torque = solved(made, motion)
    leg = motion.slow[0]
    count = round(2500 * 60 / made.plan.slow_rpm)
    last = slice(leg.steady_stop - count, leg.steady_stop)
    varying = (
        torque[last] - torque[last].mean()
    )  # the mean would show at order 24 of an angle that itself ripples
    found = 2 * np.mean(varying * np.exp(-24j * angle[last]))
    expected = 0.1 * from_drive(plant, made.viscous_nm_s, np.array([24 * leg.speed_rad_s / TAU]))[0]

    assert np.abs(expected) > 5e-4
    assert found == pytest.approx(expected, abs=0.03 * np.abs(expected))


def test_the_truth_at_the_transducer_is_the_peak_to_peak_of_the_ode_without_noise() -> None:
    made = quiet(dynamics=SOFT, plan=replace(SHORT, rate_hz=10_000, slow_rpm=6.0, hold_rpm=6.0))
    motion = motion_of(made.plan)
    _, _, torque = solved(made, motion)
    true = truth_of(made)
    assert motion.hold is not None
    held = torque[motion.hold.steady_start + 10_000 : motion.hold.steady_stop]
    passes = [np.ptp(torque[leg.steady_start + 10_000 : leg.steady_stop]) for leg in motion.slow]

    assert float(np.ptp(held)) == pytest.approx(true.ripple_pp_nm, rel=2e-3)
    assert float(held.mean()) == pytest.approx(true.mean_torque_nm, rel=1e-4)
    assert float(np.mean(passes)) == pytest.approx(true.cogging_pp_nm, rel=5e-3)
    assert true.ripple_pp_nm > 1.02 * truth_of(made, rotor=True).ripple_pp_nm


def test_the_truth_of_the_plant_is_what_its_own_solution_shows() -> None:
    made = quiet(dynamics=SOFT, plan=replace(SHORT, rate_hz=10_000, slow_rpm=6.0, hold_rpm=6.0))
    motion = motion_of(made.plan)
    angle, _, torque = solved(made, motion)
    true, linear = truth_ode(made), truth_of(made)
    turns = [slice(leg.steady_stop - 100_000, leg.steady_stop) for leg in motion.legs]  # the last 10 s
    means = [float(np.trapezoid(torque[t], angle[t]) / (angle[t][-1] - angle[t][0])) for t in turns]

    assert true.ripple_pp_nm == pytest.approx(float(np.ptp(torque[turns[3]])), rel=1e-4)
    assert true.friction_nm == pytest.approx((means[1] - means[0]) / 2, rel=1e-4)
    assert true.mean_torque_nm == pytest.approx(means[3], rel=1e-4)
    assert true.ripple_rms_nm == pytest.approx(linear.ripple_rms_nm, rel=2e-3)
    assert true.friction_nm == pytest.approx(linear.friction_nm, rel=1e-3)
    assert true.mean_torque_nm == pytest.approx(linear.mean_torque_nm, rel=1e-4)
    passes = [float(np.ptp(torque[t])) for t in turns[:2]]  # their mean after alignment has no wind-up
    assert true.cogging_pp_nm == pytest.approx(np.mean(passes), rel=2e-3)
    assert true.cogging_pp_nm == pytest.approx(linear.cogging_pp_nm, rel=2e-3)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5])
def test_the_coupling_of_the_closed_form_amplifies_as_a_mass_on_a_spring_does(share: float) -> None:
    """Transmissibility of a damped single-degree-of-freedom system, e.g. ISO 2041:2018 (the formula from memory)."""
    made = quiet(resonance_hz=45.0, damping=0.05)
    response = response_of(made)
    assert response is not None
    gain = float(np.abs(response(np.array([45.0 * share])))[0])
    damped = (2 * 0.05 * share) ** 2

    assert gain == pytest.approx(np.sqrt((1 + damped) / ((1 - share**2) ** 2 + damped)), rel=2e-3)


def test_a_low_pass_takes_from_each_order_what_a_pole_does() -> None:
    response = response_of(quiet(low_pass_hz=20.0))
    assert response is not None

    assert np.abs(response(np.array([11.2, 20.0]))) == pytest.approx(
        1 / np.sqrt(1 + np.array([0.56, 1.0]) ** 2), rel=2e-3
    )


def test_alike_magnets_and_slots_leave_multiples_of_their_least_common_multiple() -> None:
    lines = unequal_machine(28, 24, 0.016, 0.0, 0.0, 672, np.random.default_rng(0))

    assert set(lines) == {168, 336, 504, 672}
    assert np.abs(lines[168]) == pytest.approx(0.016)


def test_unlike_magnets_show_at_multiples_of_the_slots_and_unlike_slots_at_those_of_the_poles() -> None:
    orders = np.arange(1, 337)
    lines = unequal_machine(28, 24, 0.016, 1e-6, 0.0, 336, np.random.default_rng(1))
    size = np.array([np.abs(lines.get(int(n), 0.0)) for n in orders])
    named = (orders % 24 == 0) | (orders % 28 == 0)

    # What differs by a part in a million shows in proportion, and where neither family has a line only as its square.
    assert size[named].min() > 1e-10
    assert size[~named].max() < 1e-12


def test_flicker_has_unit_power_that_falls_with_one_over_f() -> None:
    rng, n = np.random.default_rng(0), 1 << 15
    waves = [flicker(n, rng) for _ in range(60)]
    power = float(np.mean([wave.var() + wave.mean() ** 2 for wave in waves]))
    frequency, density = signal.welch(np.concatenate(waves), nperseg=4096)
    inside = slice(8, 1500)
    slope = np.polyfit(np.log(frequency[inside]), np.log(density[inside]), 1)[0]

    assert power == pytest.approx(1.0, abs=0.1)
    assert slope == pytest.approx(-1.0, abs=0.03)


def test_a_lag_in_time_and_one_in_angle_are_the_same_at_one_speed() -> None:
    speed = SHORT.slow_rpm / 60 * TAU
    by_time = torque_of(quiet(plan=SHORT, lag_s=0.004), np.random.default_rng(0))
    by_angle = torque_of(
        quiet(plan=SHORT, lag_deg=float(np.degrees(0.004 * speed))), np.random.default_rng(0)
    )
    for leg in motion_of(SHORT).legs:
        assert by_time[leg.steady] == pytest.approx(by_angle[leg.steady], abs=1e-12)


def test_a_defect_adds_its_height_and_half_of_it_at_half_its_width() -> None:
    bump = table({}, (Defect(0.02, 1.0, at_deg=200.0),))
    at = over(bump, np.radians(np.array([20.0, 199.5, 200.0, 200.5])))

    assert at - at[0] == pytest.approx([0.0, 0.01, 0.02, 0.01], abs=1e-6)


@settings(max_examples=15)
@given(st.floats(0.0, 360.0), st.floats(1.0, 60.0), st.sampled_from([0.0, 1e-3]))
def test_lost_samples_are_those_in_the_hole_and_the_rest_arrives_in_order(
    begin: float, width: float, lost_share: float
) -> None:
    made = quiet(plan=SHORT, hole_deg=(begin, width), lost_share=lost_share)
    samples = record(made, np.random.default_rng(0))
    assert samples.arrived is not None
    runs = list(samples.runs())
    got = np.concatenate([np.arange(a, b) for a, b in runs])
    place = (np.degrees(motion_of(SHORT).angle_rad + made.start_rad) - begin) % 360.0

    assert all(one[1] < other[0] for one, other in pairwise(runs))
    assert got.tolist() == np.flatnonzero(samples.arrived).tolist()
    assert (place[got] >= width).all()
    if not lost_share:
        assert (place[~samples.arrived] < width).all()


def test_a_gap_in_time_leaves_out_just_its_samples() -> None:
    samples = record(quiet(plan=SHORT, gap_s=(3.0, 2.5)), np.random.default_rng(0))

    assert list(samples.runs()) == [(0, 3000), (5500, len(samples.raw))]


def test_the_encoder_counts_the_angle_and_an_eccentric_one_swings_about_it() -> None:
    made = quiet(plan=SHORT)
    angle = motion_of(SHORT).angle_rad + made.start_rad
    round_ = record(made, np.random.default_rng(0)).encoder * (TAU / made.counts_per_rev)
    swung = record(replace(made, eccentric_rad=0.005), np.random.default_rng(0)).encoder * (
        TAU / made.counts_per_rev
    )

    assert np.abs(round_ - angle).max() <= TAU / made.counts_per_rev
    assert swung - angle == pytest.approx(0.005 * np.sin(angle), abs=TAU / made.counts_per_rev)


@pytest.mark.parametrize("after", [0, 1])
def test_a_step_of_the_zero_comes_after_its_pass(after: int) -> None:
    with_, without = (
        torque_of(quiet(plan=SHORT, step_nm=step, step_after=after), np.random.default_rng(0))
        for step in (0.01, 0.0)
    )
    steps = [float((with_ - without)[leg.whole].mean()) for leg in motion_of(SHORT).legs]

    assert steps == pytest.approx([0.01 * (k > after) for k in range(4)], abs=1e-12)


def test_the_zero_of_an_eccentric_encoder_is_the_mean_over_its_own_angle() -> None:
    made = quiet(
        plan=replace(SHORT, slow_turns=3.0),
        zero_nm=0.0,
        eccentric_rad=0.02,
        cogging={1: 0.05 + 0j},
    )
    samples = record(made, np.random.default_rng(0))
    read = samples.encoder * (TAU / made.counts_per_rev)
    means = []
    for leg in motion_of(made.plan).slow[:2]:
        angle, torque = read[leg.steady], (samples.raw[leg.steady] - 1200) * made.lsb_nm
        turn = np.abs(angle - angle[0]) < TAU
        means.append(abs(np.trapezoid(torque[turn], angle[turn]) / TAU) * np.sign(torque.mean()))

    assert truth_of(made).zero_nm == pytest.approx(0.05 * 0.02 / 2, rel=1e-6)
    assert float(np.mean(means)) == pytest.approx(truth_of(made).zero_nm, rel=0.05)


@pytest.mark.parametrize("recorded", [record, record_ode], ids=["closed form", "ODE"])
def test_the_same_seed_makes_the_same_samples(recorded: object) -> None:
    assert callable(recorded)
    made = machine(np.random.default_rng(5), 0.006, plan=SHORT, flicker_nm=0.001, dynamics=STIFF)
    one, same, other = (recorded(made, np.random.default_rng(seed)) for seed in (1, 1, 2))

    assert (one.raw == same.raw).all()
    assert (one.encoder == same.encoder).all()
    assert (one.raw != other.raw).any()


def test_every_family_says_what_it_expects_of_every_figure() -> None:
    names = [family.name for family in FAMILIES]

    assert len(set(names)) == len(names)
    assert not [name for name in names if "," in name]  # a comma parts the names on the command line
    assert all(tuple(family.expect) == ALL for family in FAMILIES)
