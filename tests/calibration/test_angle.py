import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.calibration.angle import AngleScale
from nightturn.errors import CalibrationError

ENCODERS = st.sampled_from([1_000, 36_000, 2**20, 2**26])


def test_a_revolution_is_two_pi() -> None:
    angle = AngleScale(2**20).to_rad(np.array([0, 2**18, 2**20, -(2**21)], dtype=np.int64))
    assert angle == pytest.approx([0.0, math.pi / 2, math.tau, -2 * math.tau], rel=1e-15)


@given(counts=st.lists(st.integers(-(2**50), 2**50), min_size=1, max_size=30), encoder=ENCODERS)
def test_turning_the_sense_turns_the_angle_and_nothing_else(counts: list[int], encoder: int) -> None:
    unwrapped = np.array(counts, dtype=np.int64)
    plus, minus = AngleScale(encoder, 1), AngleScale(encoder, -1)
    assert np.array_equal(plus.to_rad(unwrapped), -minus.to_rad(unwrapped))


@pytest.mark.parametrize(("counts_per_rev", "sense"), [(0, 1), (-5, 1), (1000, 0), (1000, 2)])
def test_an_encoder_without_resolution_or_sense_is_refused(counts_per_rev: int, sense: int) -> None:
    with pytest.raises(CalibrationError, match="encoder: "):
        AngleScale(counts_per_rev, sense)
