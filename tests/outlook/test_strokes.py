"""Strokes against speed, ramp and angle: what is refused is what the estimator would not find."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, cycles_of, record
from tests.fixture.stations import PAN15, STATION, planned, station

from nightturn.model.phases import EXCLUSION_DEG, GRID_S
from nightturn.motion.moves import cycle_moves, move_seconds
from nightturn.outlook.plan import outlook
from nightturn.outlook.stroke_outlook import stroke_outlook
from nightturn.settings.rig import Exercise, FixtureSettings

CELLS = 4  # of the grid, that a stroke is confirmed by


def stroking(angle_deg: float, speed_rpm: float, ramp: float = 2.0) -> FixtureSettings:
    exercise = Exercise(strokes=2, angle_deg=angle_deg, speed_rpm=speed_rpm)
    return msgspec.structs.replace(planned(exercise=exercise), ramp_rad_per_s2=ramp)


def refusals(settings: FixtureSettings) -> list[str]:
    return [str(each) for each in outlook(settings, PAN15).errors]


def test_strokes_that_never_reach_their_speed_are_refused_with_what_would_reach_it() -> None:
    # 270°/v - 0.9 v/2 is 0.25 s at 28.36 rpm; 60 rpm is 2π rad/s: both ramps take 4π²/2 rad = 1131°, and 270° reach sqrt(2 x 4.712) rad/s = 29.3 rpm
    (error,) = refusals(stroking(270.0, 60.0))
    head, _, allowed = error.partition("; allowed: ")
    assert head == (
        'bench.toml, [fixture.plan.exercise] of fixture "pan-a1", angle_deg: a stroke of 270° with ramp_rad_per_s2 = 2 '
        "reaches 29.3 of 60 rpm, so every cycle would be incomplete"
    )
    assert (
        allowed == "angle_deg from 1131, or speed_rpm to 28.3, or a steeper ramp; 0.25 s at speed are needed"
    )
    assert refusals(stroking(1131.0, 60.0)) == []
    assert refusals(stroking(270.0, 28.3)) == []
    assert refusals(stroking(270.0, 60.0, ramp=12.6)) == []


def test_strokes_that_are_at_their_speed_for_too_short_a_time_are_refused() -> None:
    (error,) = refusals(stroking(270.0, 30.0))
    assert "is at its speed for 0.09 s, too short to be found in every cycle" in error


def test_a_plan_without_strokes_has_none_to_refuse() -> None:
    none = planned(exercise=Exercise(strokes=0, angle_deg=1.0, speed_rpm=60.0))
    assert stroke_outlook(none) is None
    assert refusals(none) == []


def test_strokes_no_longer_than_what_is_left_out_have_no_speed_that_would_do() -> None:
    (error,) = refusals(stroking(1.5, 12.0, ramp=1000.0))
    assert "or speed_rpm to" not in error
    assert "allowed: angle_deg from 21, or a steeper ramp" in error  # 2° + 72 °/s x 0.25 s + the run-down


def test_the_strokes_of_the_example_are_steady_for_most_of_their_time() -> None:
    found = stroke_outlook(STATION)
    assert found is not None
    assert (found.reached_rpm, found.strokes) == (12.0, 50)
    # 270° at 72 °/s and half of each ramp of 0.2π s; of both ramps the last twentieth counts as at speed
    assert found.stroke_s == pytest.approx(3.75 + 0.2 * math.pi, rel=1e-9)
    assert found.steady_s == pytest.approx(3.75 - 0.9 * 0.2 * math.pi, rel=1e-9)


def cells_on_speed(settings: FixtureSettings, phase_s: float) -> int:
    """Cells of the grid whose mean speed is within 5 % and that begin beyond the zone after the reversal."""
    exercise, ramp = settings.plan.exercise, settings.ramp_rad_per_s2
    angle = math.radians(exercise.angle_deg)
    speed = exercise.speed_rpm * math.tau / 60
    reached = min(speed, math.sqrt(angle * ramp))
    up_s, steady_s = reached / ramp, max(0.0, angle - reached**2 / ramp) / reached
    at = np.arange(phase_s, 2 * up_s + steady_s, GRID_S)
    up, down = np.minimum(at, up_s), np.maximum(at - up_s - steady_s, 0.0)
    level = np.clip(at - up_s, 0.0, steady_s)
    travel = ramp * up**2 / 2 + reached * level + reached * down - ramp * down**2 / 2
    means = np.diff(travel) / GRID_S
    beyond = travel[:-1] >= math.radians(EXCLUSION_DEG) - 1e-12
    return int(np.sum(beyond & (means >= 0.95 * speed - 1e-9)))


@given(st.floats(2.5, 1500.0), st.floats(1.0, 120.0), st.floats(0.5, 50.0), st.floats(0.0, GRID_S))
def test_what_is_not_refused_has_the_cells_that_confirm_a_stroke_wherever_the_grid_lies(
    angle_deg: float, speed_rpm: float, ramp: float, phase_s: float
) -> None:
    settings = stroking(angle_deg, speed_rpm, ramp)
    found = stroke_outlook(settings)
    assert found is not None
    if not any("angle_deg: a stroke" in error for error in refusals(settings)):
        assert cells_on_speed(settings, phase_s) >= CELLS
    if found.reached_rpm < 0.95 * found.speed_rpm:
        assert cells_on_speed(settings, phase_s) == 0
    moves = [move for move in cycle_moves(settings, 0) if move.phase == "exercise"]
    by_plan = move_seconds(moves[0], settings.encoder.counts_per_rev)
    assert found.stroke_s == pytest.approx(by_plan, rel=1e-3)


@given(st.floats(5.0, 1500.0), st.floats(1.0, 120.0), st.floats(0.5, 50.0))
def test_what_a_refusal_allows_is_not_refused(angle_deg: float, speed_rpm: float, ramp: float) -> None:
    for error in refusals(stroking(angle_deg, speed_rpm, ramp)):
        if "angle_deg: a stroke" not in error:
            continue
        angle = float(error.partition("angle_deg from ")[2].partition(",")[0])
        assert not any("a stroke" in each for each in refusals(stroking(angle, speed_rpm, ramp)))
        _, slower, words = error.partition("or speed_rpm to ")
        if slower:
            speed = float(words.partition(",")[0])
            assert not any("a stroke" in each for each in refusals(stroking(angle_deg, speed, ramp)))


def test_the_station_of_these_tests_is_not_refused_by_itself() -> None:
    assert refusals(station()) == []


@pytest.mark.parametrize(
    ("planned_rpm", "turned_rpm", "complete"),
    [(60.0, 29.3, False), (28.3, 28.3, True)],  # 270° reach 29.3 rpm
)
def test_the_estimator_finds_the_strokes_that_are_not_refused_and_no_others(
    planned_rpm: float, turned_rpm: float, complete: bool
) -> None:
    assert (refusals(stroking(270.0, planned_rpm)) == []) == complete
    bench = Bench(rate_hz=1000, exercise_rpm=turned_rpm, strokes=2, stroke_deg=270.0)
    planned_counts = round(planned_rpm / 60 * GRID_S * bench.counts_per_rev)
    (cycle,) = cycles_of(record(bench), exercise_cell_counts=planned_counts)
    assert (cycle.complete, cycle.strokes) == (complete, 2 if complete else 0)
