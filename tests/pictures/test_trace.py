"""A capture over time: its marks lie where the scale says, and the step is written in numbers."""

import numpy as np
import pytest
from tests.pictures.drawing import check_any, points, texts

from nightturn.pictures.trace import SLOTS, draw_trace

TIME = np.arange(5000) / 500
TORQUE = np.where(TIME < 5, -0.09, 0.13) + 0.01 * np.sin(40 * TIME)


def test_the_step_and_the_reversal_are_where_they_were() -> None:
    picture = draw_trace(TIME, TORQUE, friction_nm=0.11, zero_nm=0.02, turned_s=(5.0,))
    check_any(picture)
    assert "step 220 mN·m = 2 × friction 110 mN·m" in texts(picture)
    (line,) = [each for each in points(picture, "forward") if len(each) == SLOTS]
    (dashed,) = points(picture, "grown")
    assert dashed[0][0] == pytest.approx((line[0][0] + line[-1][0]) / 2, abs=2)
    low, high = (stroke[0][1] for stroke in points(picture, "back"))
    assert low < line[0][1] or high > line[0][1]
    assert "The shaft turns back at 5 s. Half of the step is the friction, 110 mN·m." in picture.description


def test_without_a_friction_there_is_the_trace_alone() -> None:
    picture = draw_trace(TIME[:50], TORQUE[:50], friction_nm=None, zero_nm=None, turned_s=())
    check_any(picture)
    assert not points(picture, "back")
    assert len(picture.rows) == 50
