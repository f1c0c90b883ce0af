"""Courses: what a command makes of the samples to come."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.virtual.motion import FOR_EVER, Course, Piece, level_course, speed_course, travel_course

rates = st.floats(0.5, 500.0)
ramps = st.floats(0.001, 5.0)
speeds = st.floats(-500, 500, allow_subnormal=False)  # what a ramp divides to nothing is no speed


def joined(pieces: list[Piece]) -> None:
    """Pieces follow each other without a jump in value or rate."""
    for before, after in itertools.pairwise(pieces):
        assert after.start == before.stop
        assert after.start_value == pytest.approx(before.value(before.stop), rel=1e-9, abs=1e-3)
        assert after.rate == pytest.approx(before.rate_at(before.stop), rel=1e-9, abs=1e-9)
    assert pieces[-1].stop == FOR_EVER


@given(st.integers(-(2**24), 2**24).filter(bool), rates, ramps, st.integers(0, 10**9))
def test_a_travel_ends_exactly_where_it_was_told(travel: int, rate: float, ramp: float, index: int) -> None:
    pieces = travel_course(index, 1000.0, float(travel), rate, ramp)
    joined(pieces)
    assert pieces[-1] == Piece(pieces[-1].start, FOR_EVER, 1000.0 + travel, 0.0)
    for piece in pieces[:-1]:
        assert abs(piece.rate) <= rate * (1 + 1e-9)
        assert abs(piece.acceleration) <= ramp * (1 + 1e-9)


@given(speeds, speeds, ramps)
def test_a_speed_is_reached_through_standstill_when_the_sign_turns(
    rate: float, target: float, ramp: float
) -> None:
    pieces = speed_course(10, 0.0, rate, target, ramp)
    joined(pieces)
    assert pieces[-1].rate == target
    assert (rate * target < 0) == (len(pieces) == 3)
    assert all(abs(piece.acceleration) <= ramp * (1 + 1e-9) for piece in pieces)


@given(st.floats(-20, 20), st.floats(-20, 20), st.floats(0.001, 10))
def test_a_level_is_reached_in_a_straight_line(value: float, target: float, ramp: float) -> None:
    pieces = level_course(5, value, target, ramp)
    assert pieces[-1].start_value == target
    assert all(abs(piece.rate) <= ramp * (1 + 1e-9) for piece in pieces)
    assert pieces[-1].start == pieces[0].start or pieces[0].value(pieces[0].stop) == pytest.approx(
        target, abs=1e-9
    )


def test_a_new_course_begins_where_the_old_one_is_cut_off() -> None:
    course = Course(0.0)
    course.replace(0, travel_course(0, 0.0, 1000.0, 10.0, 1.0))
    at = course.piece(50)
    course.replace(50, speed_course(50, at.value(50), at.rate_at(50), 0.0, 2.0))
    assert course.piece(60).value(60) == pytest.approx(at.value(50) + 10 * 10 / (2 * 2.0))
    assert course.still(60)
