"""Two turns in one picture."""

import numpy as np
from tests.pictures.drawing import check_any, points, texts
from tests.pictures.test_turn import POINTS, turned

from nightturn.pictures.both import draw_both
from nightturn.pictures.turn import Turned


def test_both_are_on_one_scale_and_named() -> None:
    picture = draw_both(
        turned(0.1), turned(0.12), ("A: Q-1", "B: Q-2"), cogging_order=288, foot="angle from the index mark"
    )
    check_any(picture)
    lines = [line for line in points(picture, "forward") if len(line) == POINTS]
    assert len(lines) == 2
    assert lines[1][0][1] < lines[0][0][1]  # more friction lies higher, forward
    assert {"A: Q-1", "B: Q-2", "angle from the index mark"} <= set(texts(picture))
    assert (
        picture.description
        == "Torque over one turn, forward and back. A: Q-1: half the gap 100 mN·m; B: Q-2: half the gap 120 mN·m."
    )


def test_angles_that_are_not_the_same_places_say_so() -> None:
    picture = draw_both(
        turned(), turned(), ("A", "B"), cogging_order=288, foot="angle, each from its own zero"
    )
    assert "angle, each from its own zero" in texts(picture)


def test_a_turn_that_was_not_measured_is_left_out() -> None:
    nothing = Turned(np.full(POINTS, np.nan), np.full(POINTS, np.nan))
    picture = draw_both(
        nothing, turned(), ("A", "B"), cogging_order=288, foot="angle, each from its own zero"
    )
    check_any(picture)
    assert "A: not measured" in picture.description
