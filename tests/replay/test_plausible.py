"""Numbers of another unit and options out of range: each refusal with its text, and no hold where nothing was held."""

import math
from typing import Any

import numpy as np
import pytest
from tests.replay.made_up import FRICTION_NM, HOLD_NM, RATE_HZ, ZERO_NM, Triple, cycle, figures

from nightturn.errors import InsufficientSamplesError
from nightturn.replay.commanded import NO_RAIL, rail_of
from nightturn.replay.grids import ANGLE_COUNTS_MAX
from nightturn.replay.smoothness import NO_HOLD
from nightturn.settings.rig import CyclePlan, Exercise, Hold, SlowTurn

PLAN = CyclePlan(
    slow_turn=SlowTurn(speed_rpm=10.0),
    hold=Hold(torque_nm=HOLD_NM, speed_rpm=10.0),
    exercise=Exercise(strokes=2, speed_rpm=20.0),
)
NO_FILTER_HZ = 1e5
"""Of a filter that takes nothing."""


@pytest.fixture(scope="module")
def arrays() -> Triple:
    return cycle()


def refusal(arrays: Triple, **options: Any) -> str:
    with pytest.raises((ValueError, InsufficientSamplesError)) as raised:
        figures(arrays, **options)
    return str(raised.value)


@pytest.mark.parametrize(
    ("scales", "options", "message"),
    [
        ((1, 180 / math.pi, 1), {},
         "angle_rad turns 149 revolutions one way; in degrees it would be 2.6, which looks like degrees: give radians, np.radians(angle), or plan with the speeds if they are right"),
        ((1, 2**14 / math.tau, 1), {},
         "angle_rad turns 6780 revolutions one way, and 118 if it were degrees, which looks like encoder counts: give radians, 2 * np.pi * counts / counts_per_rev, or plan with the speeds if they are right"),
        ((1, 0.5 / math.pi, 1), {},
         "angle_rad turns 0.41 revolutions at most; in turns it would be 2.6, which looks like turns: give radians, 2 * np.pi * angle. Figures need a whole revolution"),
        ((1, 180 / math.pi, 1), {"plan": PLAN},
         "angle_rad turns at 573, 1146 rpm, plan has 10, 20 rpm; in degrees it would be 10, 20 rpm, which looks like degrees: give radians, np.radians(angle)"),
        ((1, 0.45, 1), {"plan": PLAN},
         "angle_rad turns at 4.5, 9 rpm, plan has 10, 20 rpm: give the speeds that were commanded, or no plan"),
        ((1e3, 1, 1), {},
         "1 samples a second; at least 100 are needed. time_s steps by 1 from sample to sample, which looks like milliseconds: give seconds, time / 1_000"),
        ((1, 1, 1e3), {},
         "torque_nm reaches 5185 N·m, 346 times the rated torque of 15 N·m, which looks like mN·m, millivolts or converter counts: give N·m"),
        ((1, 1, 1e-4), {},
         "all of torque_nm lies within 528 µN·m, 0.0035 % of the rated torque of 15 N·m, which looks like kN·m or volts: give N·m"),
        ((1, 1, 1 / 40), {},
         "torque_nm shows 127 mN·m held, 51 times the friction, but 0.85 % of the rated torque; a hold is at least 5 %, so it looks like volts or another unit: give N·m, or plan with the torque that was held"),
        ((1, 1, 1 / 4), {"plan": PLAN},
         "torque_nm shows 1.27 N·m held, plan has 5 N·m, 75 % apart, which looks like volts or another unit: give N·m, or plan with the torque that was held"),
        ((1, 1, 0), {},
         "torque_nm is 0 N·m in every sample: the channel is dead or was not recorded"),
    ],
)  # fmt: skip
def test_another_unit_is_refused_and_named(
    arrays: Triple, scales: tuple[float, float, float], options: dict[str, object], message: str
) -> None:
    time, angle, torque = (array * scale for array, scale in zip(arrays, scales, strict=True))
    assert refusal((time, angle, torque), **options) == message


def test_a_small_hold_beside_no_friction_at_all_looks_like_volts(arrays: Triple) -> None:
    time, angle, torque = arrays
    assert refusal((time, angle, np.where(torque > 2.5, 0.1, 0.0))).startswith(
        "torque_nm shows 100 mN·m held, without any friction, but 0.67 % of the rated torque; "
    )


def test_a_slow_machine_in_degrees_is_seen_as_well() -> None:
    time, angle, torque = cycle(rpm=1.0, strokes=0)
    assert "looks like degrees" in refusal((time, np.degrees(angle), torque))


def test_a_turned_pass_in_turns_is_named_by_the_plan() -> None:
    time, angle, torque = cycle()
    slow = (
        angle * 4 / math.tau
    )  # eight turns a pass, in turns: more than one revolution, so only the speeds tell
    message = refusal((time, slow, torque), plan=CyclePlan(slow_turn=SlowTurn(speed_rpm=40.0)))
    assert message == (
        "angle_rad turns at 6.37, 12.7 rpm, plan has 40 rpm; in turns it would be 40, 80 rpm, which looks like turns: give "
        "radians, 2 * np.pi * angle"
    )


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"rated_torque_nm": 0.0}, "rated_torque_nm is 0.0; it must be positive"),
        ({"rated_torque_nm": math.nan}, "rated_torque_nm is nan; it must be finite"),
        ({"rated_torque_nm": "15"}, "rated_torque_nm is '15'; it must be a number"),
        ({"rated_torque_nm": None}, "rated_torque_nm is None; it must be a number"),
        ({"slots": -1}, "slots is -1; it must be at least 1"),
        ({"pole_pairs": 0}, "pole_pairs is 0; it must be at least 1"),
        ({"pole_pairs": 1001}, "pole_pairs is 1001; it must be at most 1000"),
        ({"pole_pairs": 2.5}, "pole_pairs is 2.5; it must be a whole number"),
        ({"pole_pairs": True}, "pole_pairs is True; it must be a whole number"),
        ({"drive_slots": [24]}, "drive_slots is [24]; it must be a whole number"),
        ({"drive_pole_pairs": math.inf}, "drive_pole_pairs is inf; it must be a whole number"),
        ({"counts_per_rev": 4}, "counts_per_rev is 4; it must be at least 16"),
        ({"torque_lsb_nm": 0.0}, "torque_lsb_nm is 0.0; it must be positive"),
        ({"torque_lsb_nm": 1e-9}, "a torque of 5.185 N·m is more than 24 bit counts of 0.001 µN·m; give a larger torque_lsb_nm"),
        ({"zero_nm": math.inf}, "zero_nm is inf; it must be finite"),
        ({"sense": 0}, "sense is 0; it must be 1 or -1"),
        ({"sense": "ccw"}, "sense is 'ccw'; it must be 1 or -1"),
        ({"mains_hz": -50}, "mains_hz is -50; it must be positive"),
        ({"resonance_hz": 0}, "resonance_hz is 0; it must be positive"),
        ({"filter_hz": -1}, "filter_hz is -1; it must be positive"),
        ({"plan": {"speed": 1}}, "plan: Object contains unknown field `speed`; keys and ranges are those of [fixture.plan] in bench.toml"),
        ({"plan": {"slow_turn": {"speed_rpm": -1.0}}},
         "plan: Expected `float` > 0.0 - at `$.slow_turn.speed_rpm`; keys and ranges are those of [fixture.plan] in bench.toml"),
        ({"plan": 3}, "plan: Expected `object`, got `int`; keys and ranges are those of [fixture.plan] in bench.toml"),
        ({"plan": math.sin}, "plan: Encoding objects of type builtin_function_or_method is unsupported; keys and ranges are those of [fixture.plan] in bench.toml"),
    ],
)  # fmt: skip
def test_an_option_out_of_range_is_named(arrays: Triple, options: dict[str, object], message: str) -> None:
    assert refusal(arrays, **options) == message


def test_an_angle_beyond_all_counting_is_refused() -> None:
    time = np.arange(40) / RATE_HZ
    angle = np.where(np.arange(40) == 1, 4.0 * ANGLE_COUNTS_MAX, 0.0)
    message = refusal((time, angle, np.linspace(0, 1, 40)))
    assert message == "angle_rad reaches 18014398509481984 rad, more than an encoder can count"


def test_too_little_that_turns_says_what_is_needed() -> None:
    time = np.arange(5000) / RATE_HZ
    assert refusal((time, np.zeros(5000), np.sin(time))) == (
        "nothing turns steadily in 5 s of samples; give whole passes of a cycle"
    )


@pytest.mark.parametrize("zero_nm", [-3.0, -0.6, 0.0, 0.6, 3.0])
@pytest.mark.parametrize("friction_nm", [0.0, 0.001, 0.1, 1.2])
def test_friction_is_never_a_hold_whatever_the_zero_is(zero_nm: float, friction_nm: float) -> None:
    arrays = cycle(zero_nm=zero_nm, hold_nm=0.0, friction=lambda way: math.copysign(friction_nm, way))
    found = figures(arrays, filter_hz=NO_FILTER_HZ)
    assert [record.setpoint_nm for record in found] == [0.0]
    assert found.notes[-1] == NO_HOLD
    assert all("less than bearings have" in note for note in found.notes[:-1])
    assert friction_nm < 0.01 or len(found.notes) == 1
    assert found[0].figure("friction_nm").value == pytest.approx(friction_nm, abs=1e-3)
    assert found[0].figure("zero_nm").value == pytest.approx(zero_nm, abs=1e-3)
    assert found[0].figure("ripple_pp_nm").value is None


@pytest.mark.parametrize("zero_nm", [-3.0, -0.6, 0.6, 3.0])
@pytest.mark.parametrize("hold_nm", [-5.0, -1.0, 1.0, 5.0])
def test_a_hold_is_found_whatever_the_zero_is(zero_nm: float, hold_nm: float) -> None:
    found = figures(cycle(zero_nm=zero_nm, hold_nm=hold_nm))
    assert [(record.status, record.setpoint_nm) for record in found] == [("ok", abs(hold_nm))]
    assert found[0].figure("friction_nm").value == pytest.approx(FRICTION_NM, abs=1e-3)


@pytest.mark.parametrize("hold_nm", [0.0, HOLD_NM])
def test_strokes_with_viscous_friction_are_no_hold(hold_nm: float) -> None:
    """At 20 rpm 0.9 N·m, nine times the friction of the slow passes and 6 % of the rated torque."""
    found = figures(cycle(rpm=2.5, hold_nm=hold_nm, strokes=4, friction=lambda speed: 0.43 * speed))
    assert [record.setpoint_nm for record in found] == [hold_nm]
    assert found[0].status == "ok"
    assert found[0].figure("friction_nm").value == pytest.approx(0.43 * 2.5 / 60 * math.tau, rel=0.01)


@pytest.mark.parametrize("zero_nm", [-3.0, -0.6, ZERO_NM, 3.0])
def test_passes_of_one_sense_are_no_hold_beside_a_zero_that_nobody_knows(zero_nm: float) -> None:
    found = figures(cycle(zero_nm=zero_nm, hold_nm=0.0, ways=(1, 1, 1), strokes=0))
    assert {record.setpoint_nm for record in found} == {0.0}
    assert NO_HOLD in found.notes


@pytest.mark.parametrize("known", [{}, {"zero_nm": ZERO_NM}])
def test_a_hold_of_one_sense_is_found_beside_its_slow_pass(known: dict[str, float]) -> None:
    found = figures(cycle(ways=(1,), strokes=0), **known)
    assert found[0].setpoint_nm == HOLD_NM
    assert found[0].figure("ripple_pp_nm").value is not None


def test_a_hold_that_no_plan_states_is_said_to_be_checked_by_nothing(arrays: Triple) -> None:
    said = "held, {} % of the rated torque, is read from torque_nm and checked by nothing: if something else was held, torque_nm is volts "
    said += "or another unit; plan says what was held"
    assert figures(arrays, filter_hz=NO_FILTER_HZ).notes == ("5 N·m " + said.format(33),)
    assert figures(arrays, plan=PLAN, filter_hz=NO_FILTER_HZ).notes == ()


def test_a_filter_that_nobody_states_is_said_with_the_corner_from_which_on_it_matters(arrays: Triple) -> None:
    # order 288 at 10 rpm is at 48 Hz, and a pole at 7.02 times its frequency takes 1 %
    said = "filter_hz is not given: a low-pass of 337 Hz or less before the converter takes 1 % or more from order 288 at 48 Hz, and no sample shows it"
    assert figures(arrays, plan=PLAN).notes == (said,)
    unknown = figures(arrays, plan=PLAN, pole_pairs=None)
    assert not any("filter_hz" in note for note in unknown.notes)


def test_a_light_hold_beside_little_friction_looks_like_volts_and_a_plan_says_that_it_is_not(
    arrays: Triple,
) -> None:
    """Volts of a 4 N·m/V channel: a quarter of every torque."""
    time, angle, torque = arrays
    quarter = (time, angle, torque / 4)
    assert refusal(quarter) == (
        "torque_nm shows 1.25 N·m held, 8.3 % of the rated torque, beside a friction of 0.17 %; both are as small as volts would make "
        "them: give N·m, or plan with the torque that was held if they are right"
    )
    light = CyclePlan(
        slow_turn=SlowTurn(speed_rpm=10.0),
        hold=Hold(torque_nm=HOLD_NM / 4, speed_rpm=10.0),
        exercise=Exercise(strokes=2, speed_rpm=20.0),
    )
    assert [record.status for record in figures(quarter, plan=light)] == ["ok"]


@pytest.mark.parametrize(
    ("hold_nm", "friction_nm"), [(HOLD_NM, 0.01), (1.0, 0.05), (1.5, 0.01), (0.8, 0.1), (1.2, 0.06)]
)
def test_a_light_hold_or_a_good_bearing_alone_is_plausible(hold_nm: float, friction_nm: float) -> None:
    found = figures(cycle(hold_nm=hold_nm, friction=lambda way: math.copysign(friction_nm, way)))
    assert [(record.status, record.setpoint_nm) for record in found] == [("ok", hold_nm)]


def test_without_a_hold_little_friction_is_said_to_prove_no_unit() -> None:
    found = figures(cycle(hold_nm=0.0, friction=lambda way: math.copysign(0.025, way)))
    assert found.notes[0] == (
        "friction of 25 mN·m is 0.17 % of the rated torque, and nothing was held that could show the unit of torque_nm: check that it is N·m"
    )


def test_a_zero_or_a_grid_that_cannot_be_is_named(arrays: Triple) -> None:
    assert refusal(arrays, zero_nm=-100.0) == (
        "zero_nm is −100 N·m, 6.67 times the rated torque of 15 N·m, which looks like another unit: give N·m"
    )
    assert refusal(arrays, torque_lsb_nm=20.0) == (
        "all of torque_nm lies within one count of 20 N·m; give a smaller torque_lsb_nm"
    )


def test_a_friction_that_no_bearing_has_is_said(arrays: Triple) -> None:
    """A thousandth of every torque passes as N·m but for that."""
    time, angle, torque = arrays
    assert figures((time, angle, torque / 1000)).notes[0] == (
        "friction of 100 µN·m is 0.00067 % of the rated torque, less than bearings have: check that torque_nm is N·m"
    )


def test_a_plan_says_that_a_lone_pass_was_a_hold() -> None:
    time, angle, torque = cycle(ways=(), strokes=0)
    alone = figures((time, angle, torque), filter_hz=NO_FILTER_HZ)
    assert (alone[0].setpoint_nm, alone.notes) == (0.0, (NO_HOLD,))
    known = figures((time, angle, torque), plan={"hold": {"torque_nm": HOLD_NM, "speed_rpm": 10.0}})
    assert known[0].figure("ripple_pp_nm").value is not None


def test_a_saturated_converter_is_seen_and_a_smooth_crest_is_not() -> None:
    rng = np.random.default_rng(3)
    raw = rng.integers(-1000, 1000, 5000).astype(np.int32)
    assert rail_of(raw) == NO_RAIL
    raw[100:140] = 8_388_607
    assert rail_of(raw) == 8_388_607
    assert rail_of(np.round(1000 * np.sin(np.arange(5000) / 500)).astype(np.int32)) == NO_RAIL
