"""`nightturn.smoothness`: figures from plain arrays, the daemon's own where the arrays are a run's."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay_logs.make import Recorded
from tests.replay.made_up import (
    COGGING_PP_NM,
    FRICTION_NM,
    HOLD_NM,
    PAN,
    RATE_HZ,
    RIPPLE_PP_NM,
    ZERO_NM,
    Triple,
    cycle,
    figures,
    figures_measured,
    repeated,
    values,
)

import nightturn
from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.history import History
from nightturn.model.figures import INCOMPLETE, OK, CycleRecord
from nightturn.replay.smoothness import NOTHING_FOUND
from nightturn.settings.rig import CyclePlan, Exercise, Hold, SlowTurn

DEMO = {**PAN, "drive_pole_pairs": 4, "drive_slots": 24}
"""What the recording's rig file says."""


@pytest.fixture(scope="module")
def arrays() -> Triple:
    return cycle()


def test_the_samples_of_a_run_give_its_figures(measured: Recorded) -> None:
    run = nightturn.open_run(measured.root)
    frame = run.samples(columns=["torque_nm", "angle_rad", "index"])
    found = nightturn.smoothness(
        frame["index"].to_numpy() / RATE_HZ,
        frame["angle_rad"].to_numpy(),
        frame["torque_nm"].to_numpy(),
        **DEMO,
    )
    stored = run.cycles()
    complete = [record for record in found if record.status == OK]
    assert [record.cycle_no for record in complete] == stored[stored.status == OK].cycle_no.tolist() == [1, 2]
    for record in complete:
        row = stored[stored.cycle_no == record.cycle_no].iloc[0]
        for figure in record.figures:
            for value, name in ((figure.value, ""), (figure.u, "_u"), (figure.nu, "_nu")):
                there = row[figure.name + name]
                if value is None:
                    assert math.isnan(there)
                else:
                    assert value == pytest.approx(there, rel=8e-9 if name == "_nu" else 1e-9), (
                        figure.name + name
                    )
            assert figure.status == row[f"{figure.name}_status"]
        assert (record.index_first, record.index_last) == (row.index_first, row.index_last)


def test_counted_from_anywhere_else_the_figures_stay_within_their_uncertainty(measured: Recorded) -> None:
    run = nightturn.open_run(measured.root)
    frame = run.samples()
    time = (frame.index - frame.index[0]).total_seconds().to_numpy()
    found = nightturn.smoothness(time, frame["angle_rad"].to_numpy(), frame["torque_nm"].to_numpy(), **DEMO)
    stored = run.cycles()
    for record in found[:2]:
        row = stored[stored.cycle_no == record.cycle_no].iloc[0]
        for figure in figures_measured(record):
            assert figure.value is not None
            assert figure.u is not None
            assert abs(figure.value - row[figure.name]) < figure.u


def test_arrays_without_a_grid_give_what_was_put_into_them(arrays: Triple) -> None:
    (record,) = figures(arrays)
    assert (record.status, record.reasons) == (OK, ())
    assert record.speed_rpm == pytest.approx(10.0, rel=1e-4)
    assert record.setpoint_nm == HOLD_NM
    for name, truth in (
        ("friction_nm", FRICTION_NM),
        ("zero_nm", ZERO_NM),
        ("cogging_pp_nm", COGGING_PP_NM),
        ("ripple_pct_rated", 100 * (COGGING_PP_NM + RIPPLE_PP_NM) / 15.0),
    ):
        figure = record.figure(name)
        assert figure.status == OK, figure
        assert figure.value == pytest.approx(truth, rel=0.05), name


def test_friction_unlike_in_its_directions_gives_its_mean_size_and_moves_the_zero_and_no_cogging() -> None:
    """C. Gaz et al., IEEE Robotics and Automation Letters 4(4), 2019: joint 1 at 1 rad/s (see test_published_values).

    Its torques are 0.242885 and -0.296633 N·m: half the difference 0.269759 and half the sum -0.026874 N·m. What the noise of
    2 mN·m leaves of a mean over 12 000 samples is below 0.02 mN·m.
    """
    f1, f2, f3 = 0.54615, 5.1181, 0.039533

    def joint(rad_per_s: float) -> float:
        return f1 / (1 + math.exp(-f2 * (rad_per_s + f3))) - f1 / (1 + math.exp(-f2 * f3))

    (record,) = figures(cycle(rpm=30 / math.pi, friction=joint))
    friction, zero, cogging = (
        record.figure(f"{name}_nm").value for name in ("friction", "zero", "cogging_pp")
    )
    assert friction == pytest.approx(0.269759, abs=1e-4)
    assert zero == pytest.approx(ZERO_NM + 0.026874, abs=1e-4)
    assert cogging == pytest.approx(COGGING_PP_NM, rel=0.05)


def test_several_cycles_are_numbered_and_strokes_counted(arrays: Triple) -> None:
    found = figures(repeated(arrays, 3))
    assert [(record.cycle_no, record.status) for record in found] == [(1, OK), (2, OK), (3, OK)]


def test_a_cycle_cut_short_is_incomplete_and_says_so(arrays: Triple) -> None:
    time, angle, torque = (array[:20_000] for array in arrays)
    (record,) = figures((time, angle, torque))
    assert record.status == INCOMPLETE
    assert record.reasons[0] == "the arrays end here"


def test_what_was_turned_round_only_changes_its_signs(arrays: Triple) -> None:
    time, angle, torque = arrays
    (one,), (other,) = figures(arrays), figures((time, -angle, -torque))
    assert other.direction == -one.direction
    for name, sign in (("friction_nm", 1), ("zero_nm", -1), ("mean_torque_nm", -1), ("cogging_pp_nm", 1)):
        value = one.figure(name).value
        assert value is not None
        assert other.figure(name).value == pytest.approx(sign * value, rel=1e-2)


def test_lost_samples_are_counted_by_their_time(arrays: Triple) -> None:
    kept = np.r_[0:20_000, 20_300 : len(arrays[0])]
    time, angle, torque = arrays
    (record,) = figures((time[kept], angle[kept], torque[kept]))
    assert record.status == OK
    assert "300 samples were lost in this cycle" in record.reasons


@given(shift=st.floats(-1e6, 2e9))
@settings(max_examples=8, deadline=None)
def test_figures_do_not_depend_on_when_it_was(shift: float) -> None:
    """The grid of 50 ms lies elsewhere, so a pass may begin a cell later or earlier: 0.13 u were seen, and nothing of the time itself."""
    time, angle, torque = cycle()
    moved, known = figures((time + shift, angle, torque))[0], figures((time, angle, torque))[0]
    for figure, other in zip(figures_measured(moved), figures_measured(known), strict=True):
        assert figure.status == other.status == OK
        assert figure.value is not None
        assert other.value is not None
        assert other.u is not None
        assert abs(figure.value - other.value) < 0.5 * other.u, figure.name


def test_a_shift_by_whole_cells_of_the_grid_changes_nothing(arrays: Triple) -> None:
    time, angle, torque = arrays
    known = values(figures(arrays))
    for shift in (-1000.0, 50.0, 36_000.0):
        assert values(figures((time + shift, angle, torque))) == known


@given(turns=st.integers(-50, 50), start=st.floats(0, math.tau))
@settings(max_examples=6, deadline=None)
def test_a_wrapped_angle_gives_what_the_unwrapped_gives(turns: int, start: float) -> None:
    time, angle, torque = cycle()
    whole = figures((time, angle + start + turns * math.tau, torque))
    wrapped = figures((time, (angle + start) % math.tau, torque))
    assert any("it was unwrapped" in note for note in wrapped.notes)
    for name, value in values(whole).items():
        assert values(wrapped)[name] == pytest.approx(value, rel=1e-5), name  # an encoder count more or less


@given(factor=st.floats(0.02, 50))
@settings(max_examples=6, deadline=None)
def test_a_larger_machine_has_figures_larger_in_proportion(factor: float) -> None:
    time, angle, torque = cycle()
    known = values(figures((time, angle, torque)))
    scaled = values(figures((time, angle, factor * torque), rated_torque_nm=factor * 15.0))
    for name, value in known.items():
        assert value is not None
        share = 1.0 if "pct" in name else factor
        assert scaled[name] == pytest.approx(share * value, rel=1e-5), (
            name
        )  # the grid is a four millionth of rated


@pytest.mark.parametrize(("share", "coverage"), [(0.01, 0.99), (0.05, 0.95)])
def test_samples_lost_one_by_one_cost_themselves_alone(arrays: Triple, share: float, coverage: float) -> None:
    """Nearly all of what is left is used: of the samples on speed that are there, hardly one is missing from the sums."""
    kept = np.random.default_rng(1).random(len(arrays[0])) > share
    time, angle, torque = arrays
    whole, some = figures(arrays)[0], figures((time[kept], angle[kept], torque[kept]))[0]
    assert some.status == OK
    assert some.coverage > coverage
    lost = int((~kept[some.index_first : some.index_last + 1]).sum())
    assert f"{lost} samples were lost in this cycle" in some.reasons
    for figure, known in zip(figures_measured(some), figures_measured(whole), strict=True):
        assert figure.value is not None
        assert known.value is not None
        assert figure.u is not None
        assert (figure.status, figure.n) == (OK, known.n)
        assert abs(figure.value - known.value) < 2 * figure.u, figure.name


def test_a_known_zero_is_taken_off_and_the_figure_is_the_rest(arrays: Triple) -> None:
    known = figures(arrays, zero_nm=ZERO_NM - 0.01)[0]
    zero, mean, friction = (known.figure(f"{name}_nm") for name in ("zero", "mean_torque", "friction"))
    assert zero.value == pytest.approx(0.01, abs=1e-4)
    assert mean.value == pytest.approx(HOLD_NM + FRICTION_NM, abs=1e-4)
    assert friction.value == pytest.approx(FRICTION_NM, abs=1e-4)


def test_an_encoder_that_counts_against_the_declared_sense_changes_no_figure(arrays: Triple) -> None:
    time, angle, torque = arrays
    (one,), (other,) = figures(arrays), figures((time, -angle, torque), sense=-1)
    assert (one.direction, other.direction) == (1, 1)
    for figure, same in zip(figures_measured(one), figures_measured(other), strict=True):
        assert same.status == OK
        assert same.value == pytest.approx(figure.value, rel=1e-4), figure.name


def test_a_sense_that_is_declared_wrong_is_seen_by_its_friction(arrays: Triple) -> None:
    friction = figures(arrays, sense=-1)[0].figure("friction_nm")
    assert friction.status == "not judged"
    assert "torque and angle disagree" in friction.reasons[0]


@pytest.mark.parametrize(
    ("numbers", "lacking"),
    [
        ({"pole_pairs": None, "slots": None}, "pole pairs and slots"),
        ({"pole_pairs": None}, "pole pairs"),
        ({"slots": None}, "slots"),
    ],
)
def test_orders_of_an_unknown_product_are_found_and_it_says_so(
    arrays: Triple, numbers: dict[str, object], lacking: str
) -> None:
    found = figures(arrays, **numbers)
    assert found.notes[:1] == (
        f"{lacking} are not given: orders are found in the signal, and a weak one may be missed",
    )
    strongest = max(found[0].cogging_orders, key=lambda row: row[1])
    assert strongest[0] == 36
    assert strongest[1] == pytest.approx(COGGING_PP_NM / 2, rel=0.01)
    assert {row[0] for row in found[0].orders} >= {16, 36}
    assert found[0].figure("cogging_pp_nm").value == pytest.approx(COGGING_PP_NM, rel=0.02)


def plan(**changes: object) -> dict[str, object]:
    """What `cycle` follows, as in a rig file."""
    whole: dict[str, object] = {
        "slow_turn": {"revolutions": 2, "speed_rpm": 10.0},
        "hold": {"torque_nm": HOLD_NM, "revolutions": 2, "speed_rpm": 10.0},
        "exercise": {"strokes": 2, "angle_deg": 180.0, "speed_rpm": 20.0},
    }
    return {**whole, **changes}


def test_a_plan_is_taken_as_table_or_struct_and_gives_what_the_arrays_show(arrays: Triple) -> None:
    read = values(figures(arrays))
    assert values(figures(arrays, plan=plan())) == read
    struct = CyclePlan(
        slow_turn=SlowTurn(speed_rpm=10.0),
        hold=Hold(torque_nm=HOLD_NM, speed_rpm=10.0),
        exercise=Exercise(strokes=2, speed_rpm=20.0),
    )
    assert values(figures(arrays, plan=struct)) == read


def test_what_a_plan_has_and_the_arrays_lack_makes_the_cycle_incomplete() -> None:
    (record,) = figures(cycle(hold_nm=0.0), plan=plan())
    assert (record.status, record.reasons) == (INCOMPLETE, ("the hold was not seen",))


def test_a_plan_whose_passes_are_too_short_to_count_is_no_empty_list() -> None:
    time = np.arange(9000) / RATE_HZ
    swing = 0.02 * math.tau * np.abs((time / 0.5) % 2 - 1)  # to and fro by a fiftieth of a turn
    angle = np.concatenate([swing, swing[-1] + np.linspace(0, 1.1 * math.tau, 9000)])
    arrays = np.arange(18_000) / RATE_HZ, angle, np.sin(angle)
    rpm = 0.02 / 0.5 * 60
    with pytest.raises(InsufficientSamplesError) as raised:
        figures(arrays, plan=plan(slow_turn={"speed_rpm": rpm}, hold=None, exercise={"strokes": 0}))
    assert str(raised.value) == NOTHING_FOUND


def test_the_mains_and_the_resonance_reach_the_estimators(
    arrays: Triple, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []

    def finish(_: History, sums: CycleSums, conditions: Conditions, *spans: int) -> CycleRecord:
        seen.append(conditions)
        first, last, begin, end = spans
        return finish_cycle(sums, conditions, first, last, begin, end)

    monkeypatch.setattr(History, "finish", finish)
    figures(
        arrays, mains_hz=60, resonance_hz=45.0, filter_hz=200, drive_pole_pairs=4, drive_slots=24, sense=-1
    )
    (conditions,) = seen
    assert (conditions.mains_hz, conditions.resonance_hz) == (60.0, 45.0)
    assert (conditions.filter_hz, conditions.filter_poles, conditions.filter_u_rel) == (200.0, 1, 0.05)
    assert conditions.filter_source == "filter_hz, taken as known to 5 %"
    assert (conditions.drive_pole_pairs, conditions.drive_slots, conditions.sense) == (4, 24, -1)


def test_ten_hours_are_as_right_as_ten_seconds() -> None:
    """Ten seconds: one turn each way at 15 rpm. Ten hours: the same cycles at both ends of a long standstill."""
    short = cycle(rpm=60.0, strokes=0, ways=(1, -1, 1))
    time, angle, torque = short
    first, second = (time, angle, torque), (time + 36_000.0, angle + angle[-1], torque)
    both = tuple(np.concatenate(pair) for pair in zip(first, second, strict=True))
    found = figures((both[0], both[1], both[2]))
    assert [record.status for record in found] == [OK, OK]
    assert found[1].ts_start - found[0].ts_start == 36_000 * 10**9
    for one, other in zip(figures_measured(found[0]), figures_measured(found[1]), strict=True):
        assert one.value == pytest.approx(other.value, rel=1e-6)
