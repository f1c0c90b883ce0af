"""Numbers that others published, held against the estimators; each test names its source."""

import math

import numpy as np
import numpy.typing as npt
import pytest
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.cogging import cogging_of
from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import probability_within
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.folds import LegSums, StrokeSums
from nightturn.estimation.friction import Friction, friction_of, slow_passes
from nightturn.estimation.least_squares import fit
from nightturn.estimation.ripple import ripple_of
from nightturn.estimation.spectra import cogging_order, declared_orders
from nightturn.estimation.transfer import Response, Transfer
from nightturn.estimation.turns import Turns

BINS = 4096
CENTRES = (np.arange(BINS) + 0.5) * (2 * np.pi / BINS)
Floats = npt.NDArray[np.float64]

STIFF = Transfer(Response(np.ones(701), np.zeros(701)))


def turns(torque: Floats, direction: int = 1, start_s: float = 0.0, revolutions: int = 2) -> Turns:
    """Turns whose bins hold one sample each, at the bin centre."""
    shape = (revolutions, BINS)
    time = start_s + np.arange(revolutions * BINS, dtype=np.float64).reshape(shape) / 1000
    return Turns(
        direction=direction,
        n=np.ones(shape),
        torque_nm=np.broadcast_to(torque, shape).copy(),
        offset_rad=np.zeros(shape),
        time_s=time,
        whole=np.ones(revolutions, np.bool_),
    )


def point(amplitude: float, order: int) -> float:
    """What point samples give for an amplitude: the estimators undo the averaging over a bin, which is not there."""
    return amplitude / float(np.sinc(order / BINS))


# ---- orders -----------------------------------------------------------------------------------------------------
# LCM(slots, poles): Z. Q. Zhu, D. Howe, "Influence of design parameters on cogging torque in permanent magnet machines",
# IEEE Trans. Energy Conversion 15(4), 2000, 407-412 (the rule from memory); arithmetic exact.
LCM_TABLE = [
    # slots, poles, mechanical order, electrical order, 6th and 12th electrical in mechanical orders
    (3, 2, 6, 6, 6, 12),
    (6, 4, 12, 6, 12, 24),
    (9, 6, 18, 6, 18, 36),
    (9, 8, 72, 18, 24, 48),
    (12, 8, 24, 6, 24, 48),
    (12, 10, 60, 12, 30, 60),
    (12, 14, 84, 12, 42, 84),
    (24, 20, 120, 12, 60, 120),
    (24, 28, 168, 12, 84, 168),
    (36, 40, 360, 18, 120, 240),
    (36, 6, 36, 12, 18, 36),
    (48, 8, 48, 12, 24, 48),
]


@pytest.mark.parametrize(("slots", "poles", "order", "electrical", "sixth", "twelfth"), LCM_TABLE)
def test_the_cogging_order_is_the_lcm_of_slots_and_poles(
    slots: int, poles: int, order: int, electrical: int, sixth: int, twelfth: int
) -> None:
    pairs = poles // 2
    assert cogging_order(pairs, slots) == order
    assert cogging_order(pairs, slots) // pairs == electrical
    declared = declared_orders(
        Bench().conditions(pole_pairs=pairs, slots=slots, drive_pole_pairs=0, drive_slots=0), 700
    )
    assert {order, sixth, twelfth, slots, poles, pairs} <= declared


def test_an_odd_magnet_or_slot_shows_at_slot_and_pole_orders_so_those_are_declared() -> None:
    # A motor of 20 magnets and 24 slots had order 48 = 2 x 24 as its largest, not 120; read in an excerpt without author and
    # title, probably of M. Piccoli, M. Yim, "Cogging Torque Ripple Minimization via Position-Based Characterization",
    # Robotics: Science and Systems, 2014 (from memory).
    declared = declared_orders(Bench().conditions(pole_pairs=10, slots=24), 700)
    assert {20, 24, 48, 120} <= declared


# Electrical sources -> electrical order: own arithmetic, a closed form for e = cos + a5 cos 5 + a7 cos 7, i = cos, three phases.
@pytest.mark.parametrize(
    ("a5", "a7", "offset", "gain", "expected"),
    [
        (0.0, 0.0, 0.0, 0.0, {0: 1.5}),
        (0.05, 0.0, 0.0, 0.0, {0: 1.5, 6: 0.075}),
        (0.0, 0.03, 0.0, 0.0, {0: 1.5, 6: 0.045}),
        (0.05, 0.03, 0.0, 0.0, {0: 1.5, 6: 0.120}),
        (0.0, 0.0, 0.02, 0.0, {0: 1.5, 1: 0.02}),
        (0.0, 0.0, 0.0, 0.02, {0: 1.51, 2: 0.01}),
    ],
)
def test_electrical_orders_show_at_that_order_times_the_pole_pairs(
    a5: float, a7: float, offset: float, gain: float, expected: dict[int, float]
) -> None:
    pairs = 7
    torque = np.zeros(BINS)
    for k in range(3):
        angle = pairs * CENTRES - 2 * np.pi * k / 3
        emf = np.cos(angle) + a5 * np.cos(5 * angle) + a7 * np.cos(7 * angle)
        current = np.cos(angle) * (1 + (gain if k == 0 else 0)) + (offset if k == 0 else 0)
        torque += emf * current
    found = ripple_of(turns(torque), 700, frozenset(), frozenset(), STIFF)
    assert found.fit.constants_nm[0] == pytest.approx(expected[0], abs=1e-9)
    table = dict(zip(found.fit.orders.tolist(), np.abs(found.fit.amplitudes).tolist(), strict=True))
    wanted = {order * pairs: point(a, order * pairs) for order, a in expected.items() if order}
    assert set(table) == set(wanted)
    for order, amplitude in wanted.items():
        assert table[order] == pytest.approx(amplitude, abs=1e-9)


def test_the_order_spectrum_of_a_known_sum() -> None:
    # own arithmetic, and NumPy's FFT agrees: amplitudes .02 / .005 / .01 at orders 72 / 24 / 1, AC rms 0.0162018517
    torque = 1.5 + 0.02 * np.cos(72 * CENTRES + 0.3) + 0.005 * np.cos(24 * CENTRES) + 0.01 * np.cos(CENTRES)
    found = ripple_of(turns(torque), 700, frozenset(), frozenset(), STIFF)
    table = dict(zip(found.fit.orders.tolist(), np.abs(found.fit.amplitudes).tolist(), strict=True))
    assert table == pytest.approx(
        {n: point(a, n) for n, a in {1: 0.01, 24: 0.005, 72: 0.02}.items()}, abs=1e-9
    )
    assert found.rms_nm == pytest.approx(0.0162018517, rel=1e-3)


# ---- ripple definitions -----------------------------------------------------------------------------------------
# (max-min)/mean in per cent: introduction of IEEE Xplore document 4347839 on interior-magnet machines (read; of the conference
# record 4347748, authors and title not read). max-min over a revolution in per cent of the mean: Wikipedia, "Torque ripple"
# (read). The numbers are own arithmetic.
def test_three_ripple_definitions_give_three_numbers_for_one_signal() -> None:
    bench = Bench(
        cogging={}, ripple={6: 0.1}, friction_nm=0.0, hold_nm=1.0, noise_nm=1e-6, rate_hz=1000, lsb_nm=1e-6
    )
    found = finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0)
    peak, rms, mean = (
        found.figure(name).value or 0.0 for name in ("ripple_pp_nm", "ripple_rms_nm", "mean_torque_nm")
    )
    assert 100 * peak / mean == pytest.approx(20.0, rel=2e-4)
    assert 100 * peak / (2 * mean) == pytest.approx(10.0, rel=2e-4)  # (max-min)/(max+min)
    assert 100 * rms / mean == pytest.approx(7.0711, rel=2e-4)
    assert found.figure("ripple_pct_rated").value == pytest.approx(100 * 0.2 / 15, rel=2e-4)


# ---- both directions --------------------------------------------------------------------------------------------
# Slow turns both ways give two waveforms, and half of their offset is Coulomb friction: Nidec Corporation, "Glossary of Motor
# Terms", entry "Coulomb friction" (nidec.com, read). The numbers are own arithmetic.
def separated(legs: list[Turns]) -> tuple[Friction, dict[int, float]]:
    """Friction and zero, and the orders of the cogging, of passes without drift."""
    found = cogging_of([(leg, leg.torque_nm) for leg in legs], 700, frozenset(), frozenset(), 0.0, STIFF)
    passes = slow_passes(legs, found.forward, found.backward, 24.0, 1e-18)
    assert passes is not None
    return friction_of(passes), dict(
        zip(found.orders.tolist(), np.abs(found.amplitudes).tolist(), strict=True)
    )


WAYS = [(1, 0.0), (-1, 20.0), (1, 40.0)]


def both_ways(speed: float, zero: float = 0.0) -> tuple[float, dict[int, float], float]:
    """Friction, cogging orders and zero of the published signal at a speed in rad/s."""
    cogging = 0.04 * np.cos(72 * CENTRES + 0.2) + 0.01 * np.cos(9 * CENTRES)
    friction = 0.12 + 0.003 * speed
    result, orders = separated([turns(cogging - way * friction + zero, way, start) for way, start in WAYS])
    return result.friction_nm, orders, result.zero.value


def test_half_sum_is_cogging_and_half_difference_is_friction() -> None:
    friction, orders, zero = both_ways(5.0)
    assert friction == pytest.approx(0.135, abs=1e-12)
    assert orders == pytest.approx({9: point(0.01, 9), 72: point(0.04, 72)}, abs=1e-12)
    assert zero == pytest.approx(0.0, abs=1e-12)


def test_two_speeds_give_viscous_and_coulomb_friction() -> None:
    slow, fast = both_ways(1.0)[0], both_ways(5.0)[0]
    viscous = (fast - slow) / 4.0
    assert viscous == pytest.approx(0.003, abs=1e-12)
    assert slow - viscous == pytest.approx(0.12, abs=1e-12)


def test_a_zero_offset_goes_into_the_zero_and_not_into_friction_or_cogging() -> None:
    friction, orders, zero = both_ways(5.0, zero=0.135)
    assert friction == pytest.approx(0.135, abs=1e-12)
    assert 0 not in orders
    assert zero == pytest.approx(0.135, abs=1e-12)


# C. Gaz, M. Cognetti, A. Oliva, P. Robuffo Giordano, A. De Luca, "Dynamic identification of the Franka Emika Panda robot with
# retrieval of feasible parameters using penalty-based optimization", IEEE Robotics and Automation Letters 4(4), 2019: friction
# of joints 1 to 3, coefficients from the authors' header `franka_model.h` (read); torques at both speeds by own arithmetic.
JOINTS = [
    # f1, f2, f3 and speed in rad/s, friction torque forward and backward in N·m
    (0.54615, 5.1181, 0.039533, 1.0, 0.242885, -0.296633),
    (0.54615, 5.1181, 0.039533, 0.1, 0.066032, -0.069453),
    (0.87224, 9.0657, 0.025882, 1.0, 0.385108, -0.486924),
    (0.87224, 9.0657, 0.025882, 0.1, 0.174020, -0.192178),
    (0.64068, 10.136, -0.04607, 1.0, 0.393763, -0.246860),
    (0.64068, 10.136, -0.04607, 0.1, 0.158901, -0.128131),
]


@pytest.mark.parametrize(("f1", "f2", "f3", "speed", "ahead", "back"), JOINTS)
def test_friction_unlike_in_its_directions_gives_its_mean_size_and_moves_the_zero_and_no_order(
    f1: float, f2: float, f3: float, speed: float, ahead: float, back: float
) -> None:
    """Half the difference is friction, minus the half-sum is order 0 and no cogging; 1e-6 as the torques are printed."""

    def joint(rad_per_s: float) -> float:
        return f1 / (1 + math.exp(-f2 * (rad_per_s + f3))) - f1 / (1 + math.exp(-f2 * f3))

    cogging = 0.04 * np.cos(72 * CENTRES + 0.2)
    result, orders = separated([turns(cogging - joint(way * speed), way, start) for way, start in WAYS])
    assert result.friction_nm == pytest.approx((ahead - back) / 2, abs=1e-6)
    assert result.zero.value == pytest.approx(-(ahead + back) / 2, abs=1e-6)
    assert orders == pytest.approx({72: point(0.04, 72)}, abs=1e-12)


def test_one_direction_alone_gives_no_friction() -> None:
    # 0.135 of one direction cannot be told from a zero offset of 0.135
    leg = turns(np.full(BINS, -0.135))
    shape = ripple_of(leg, 700, frozenset(), frozenset(), STIFF).fit
    assert slow_passes([leg], shape, shape, 0.0, 0.0) is None
    bench = Bench(rate_hz=500, strokes=0)
    recording = record(bench)
    first = cycles_of(recording)[0].legs[0]
    sums = cycles_of(recording)[0]
    sums.legs = (first,)
    figure = finish_cycle(sums, bench.conditions(), 0, 0, 0, 0).figure("friction_nm")
    assert figure.value is None
    assert figure.status == "incomplete"


# ---- NIST StRD ----------------------------------------------------------------------------------------------------
# Univariate sets NumAcc1 to NumAcc4, certified values: NIST Statistical Reference Datasets (StRD), from the .dat files in the
# source distribution of capstat-core 0.4.3 (read).
def leg_of(values: npt.NDArray[np.int64]) -> LegSums:
    """A leg whose raw counts are these values, spread over many bins."""
    settings = Bench(counts_per_rev=BINS * 8).settings(rail_low=-(1 << 31), rail_high=1 << 31)
    leg = LegSums.start(settings, "slow_turn", 1, 1, 0, 0)
    encoder = np.arange(len(values), dtype=np.int64)
    leg.add(0, values.astype(np.int32), encoder, np.zeros(len(values), np.uint8))
    return leg


@pytest.mark.parametrize(
    ("name", "values", "unit", "mean", "deviation"),
    [
        ("NumAcc1", [10000001, 10000003, 10000002], 1.0, 10000002.0, 1.0),
        ("NumAcc2", [12, *[11, 13] * 500], 0.1, 1.2, 0.1),
        ("NumAcc3", [10000002, *[10000001, 10000003] * 500], 0.1, 1000000.2, 0.1),
        ("NumAcc4", [100000002, *[100000001, 100000003] * 500], 0.1, 10000000.2, 0.1),
    ],
)
def test_nist_mean_and_deviation_through_the_integer_sums(
    name: str, values: list[int], unit: float, mean: float, deviation: float
) -> None:
    found_mean, variance = leg_of(np.array(values, np.int64)).mean_and_variance()
    assert found_mean * unit == pytest.approx(mean, rel=1e-15), name
    assert math.sqrt(variance) * unit == pytest.approx(deviation, rel=1e-12), name


def test_nist_numacc3_through_the_sums_of_a_stroke() -> None:
    values = np.array([10000002, *[10000001, 10000003] * 500], np.int32)
    stroke = StrokeSums(0, 1, 1, 1, -(1 << 31), 1 << 31)
    stroke.add(0, values[:400], np.arange(400))
    stroke.add(400, values[400:], np.arange(400, len(values)))
    n, total, squares = stroke.n, stroke.raw_sum, stroke.raw_squares
    assert (n * squares - total * total) / (n * (n - 1)) == 1.0
    assert total / n == 10000002.0


# Norris, linear, certified: NIST Statistical Reference Datasets (StRD), from the file that SciPy's own tests bring (read).
NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 "
    "995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
)
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 "
    "998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)


def test_nist_norris_through_the_least_squares_engine() -> None:
    x, y = (np.array([float(v) for v in text.split()]) for text in (NORRIS_X, NORRIS_Y))
    found = fit(np.column_stack((np.ones_like(x), x)), y, np.ones_like(x))
    deviation = np.sqrt(np.diag(found.covariance))
    assert found.nu == 34
    assert found.x[1] == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.x[0] == pytest.approx(-0.262323073774029, rel=1e-10)
    assert deviation[1] == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert deviation[0] == pytest.approx(0.232818234301152, rel=1e-9)
    assert math.sqrt(found.variance) == pytest.approx(0.884796396144373, rel=1e-9)


MANY = 1e9  # degrees of freedom with which Student's t is the normal distribution


# ---- conformity ---------------------------------------------------------------------------------------------------
# JCGM 106:2012, 7.3 (inputs of the Zener example from memory); the normal tail at guard bands of 0, 1, 1.645 and 2 u is own
# arithmetic.
def test_jcgm_106_probability_of_conformity() -> None:
    upper = AcceptLimit("x", -5.40, signed=True)
    assert probability_within(-5.47, 0.05, MANY, upper) == pytest.approx(0.919243, abs=5e-7)


@pytest.mark.parametrize(("guard", "risk"), [(0.0, 0.5), (1.0, 0.158655), (1.645, 0.049985), (2.0, 0.022750)])
def test_jcgm_106_risk_at_the_acceptance_limit(guard: float, risk: float) -> None:
    u, limit = 0.003, 0.150
    inside = probability_within(limit - guard * u, u, MANY, AcceptLimit("friction_nm", limit))
    assert 1 - inside == pytest.approx(risk, abs=5e-7)


# Student's t, upper critical values: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (from memory): t(0.95; 3) = 2.353,
# t(0.975; 3) = 3.182, t(0.99; 10) = 2.764; the fourth decimals by own arithmetic.
@pytest.mark.parametrize(
    ("t", "nu", "inside"), [(2.3534, 3.0, 0.95), (3.1824, 3.0, 0.975), (2.7638, 10.0, 0.99)]
)
@pytest.mark.parametrize("bound", ["max", "min"])
def test_few_degrees_of_freedom_are_in_the_probability_of_conformity(
    bound: str, t: float, nu: float, inside: float
) -> None:
    u, limit, away = 0.003, 0.150, -1.0 if bound == "max" else 1.0
    held = AcceptLimit("friction_nm", limit, bound, signed=True)
    assert probability_within(limit + away * t * u, u, nu, held) == pytest.approx(inside, abs=1e-5)


# ---- facts of the trade -------------------------------------------------------------------------------------------
# common practice, no source: a 15 N·m actuator on a 4 N·m/V transducer.
FACTOR_NM_PER_V = 4.0
VOLTS_PER_COUNT = 20.0 / (1 << 24)


def practice_bench(**parts: object) -> Bench:
    """A bench with the 4 N·m/V transducer on a 24-bit converter of ±10 V."""
    made: dict[str, object] = {
        "lsb_nm": FACTOR_NM_PER_V * VOLTS_PER_COUNT,
        "noise_nm": 2e-5,
        "rate_hz": 1000,
        "cogging": {},
        "ripple": {},
        "friction_nm": 0.0,
    }
    return Bench(**{**made, **parts})  # type: ignore[arg-type]  # names and types are those of Bench


def test_ten_millivolts_peak_to_peak_are_27_hundredths_of_a_percent_of_15_nm() -> None:
    bench = practice_bench(ripple={24: 0.005 * FACTOR_NM_PER_V})
    found = finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0)
    assert found.figure("ripple_pp_nm").value == pytest.approx(0.040, abs=2e-5)
    assert found.figure("ripple_pct_rated").value == pytest.approx(0.2667, abs=5e-4)


def test_a_reversal_step_of_55_millivolts_is_110_millinewtonmetres_of_friction() -> None:
    step_v = 0.055
    bench = practice_bench(friction_nm=step_v * FACTOR_NM_PER_V / 2, hold_nm=0.0)
    conditions = bench.conditions()
    found = finish_cycle(cycles_of(record(bench))[0], conditions, 0, 0, 0, 0)
    friction, percent = found.figure("friction_nm").value, found.figure("friction_pct_rated").value
    assert friction == pytest.approx(0.110, abs=2e-5)
    assert percent == pytest.approx(0.7333, abs=5e-4)
    # one third better, in relative terms, than 0.22 N·m on 20 N·m
    assert percent is not None
    assert percent / (100 * 0.22 / 20) == pytest.approx(2 / 3, rel=1e-3)
    assert round(percent, 2) == 0.73  # and not 1.47, which forgets the half
