"""Turning points are those of the definition, whatever the split, the chunk and the noise."""

from random import Random

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from tests.trend.load_references import (
    CUTS,
    GATES,
    closed_in_any_order,
    histories,
    int32s,
    parts,
    turning_points,
)

from nightturn.trend import turning_points as module
from nightturn.trend.turning_points import COUNTS_MAX, TurningPoints, checked, nested, turns_of


@given(histories(), GATES, CUTS)
@example([0, 5, 5, 5, 0, 5, 0, 5, 0], 3, [3, 4])
@example([3, 3, 3], 1, [])
def test_any_split_gives_the_turning_points_of_the_definition(
    samples: list[int], gate: int, cuts: list[int]
) -> None:
    finder = TurningPoints.start(gate)

    found = [point for part in parts(samples, cuts) for point in finder.add(part).tolist()]

    assert (found, list(finder.newest)) == turning_points(samples, gate)


@given(histories(), GATES, CUTS)
def test_the_state_after_any_split_is_that_of_one_go(samples: list[int], gate: int, cuts: list[int]) -> None:
    whole, split = TurningPoints.start(gate), TurningPoints.start(gate)
    whole.add(int32s(samples))

    for part in parts(samples, cuts):
        split.add(part)

    assert split == whole


@pytest.mark.parametrize("noise_counts", [1, 40, 900])
@pytest.mark.parametrize("gate", [1, 7, 100, 3000])
def test_thousands_of_noisy_samples_give_the_turning_points_of_the_definition(
    gate: int, noise_counts: int
) -> None:
    """Enough that all passes, the work that they may do and the pieces of `AT_ONCE` come into it."""
    draw = np.random.default_rng(gate + noise_counts)
    at = np.arange(2 * module.AT_ONCE + 77)
    counts = np.rint(2000 * np.sin(at / 500) + noise_counts * draw.normal(size=len(at))).astype(np.int32)
    finder = TurningPoints.start(gate)

    found = finder.add(counts).tolist()

    assert (found, list(finder.newest)) == turning_points(counts.tolist(), gate)
    assert len(found) > 5


@given(histories().filter(lambda samples: len(samples) > 3), st.randoms(use_true_random=False), GATES)
def test_pairs_may_be_taken_out_in_any_order(samples: list[int], order: Random, below: int) -> None:
    points = turns_of(int32s(samples))

    left, low, high = nested(points, below)

    expected_left, expected_pairs = closed_in_any_order(points.tolist(), order, below)
    assert left.tolist() == expected_left
    assert sorted(zip(low.tolist(), high.tolist(), strict=True)) == sorted(expected_pairs.elements())


@given(histories(400), GATES)
def test_passes_and_one_by_one_are_the_same(samples: list[int], below: int) -> None:
    points = turns_of(int32s(samples))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_FEW", 3)
        patch.setattr(module, "_PASSES", 10**6)
        by_passes = nested(points, below)
        patch.setattr(module, "_FEW", 10**6)
        one_by_one = nested(points, below)

    assert by_passes[0].tolist() == one_by_one[0].tolist()
    assert sorted(zip(*by_passes[1:], strict=True)) == sorted(zip(*one_by_one[1:], strict=True))


def test_an_oscillation_that_dies_away_over_thousands_of_turns_is_closed_whole() -> None:
    """A range a pass: after the work of some passes the rest goes one by one."""
    turns = 6000
    dying = [(-1) ** n * (turns - n) for n in range(turns)]

    left, low, _ = nested(int32s([*dying, 10 * turns, -10 * turns]), 1 << 30)

    assert len(left) + 2 * len(low) == turns + 2
    assert left.tolist() == [turns, -turns + 1, 10 * turns, -10 * turns]


@pytest.mark.parametrize("gate", [0, -3, COUNTS_MAX])
def test_a_gate_that_is_no_movement_is_refused(gate: int) -> None:
    with pytest.raises(ValueError, match="least movement"):
        TurningPoints.start(gate)


def test_counts_at_the_ends_of_what_is_allowed_are_taken() -> None:
    most = COUNTS_MAX - 1
    finder = TurningPoints.start(COUNTS_MAX - 1)

    found = finder.add(checked(np.array([most, -most, most, 0, most, -most])))

    assert found.tolist() == [most, -most, most, 0, most]
    assert finder.newest == (-most,)


@pytest.mark.parametrize(
    ("counts", "error", "says"),
    [
        (np.array([1.5, 2.0]), TypeError, "integer counts"),
        (np.array([0, COUNTS_MAX]), ValueError, "larger steps"),
        (np.array([0, -COUNTS_MAX]), ValueError, "larger steps"),
        (np.zeros((2, 2), np.int32), ValueError, "one row"),
    ],
)
def test_what_are_no_counts_is_refused(counts: np.ndarray, error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        checked(counts)
