"""Damage sums are those of published counts, hold the truth between their bounds, and claim no life."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.trend.load_references import GATES, cycles_of_points, histories, int32s, turning_points
from tests.trend.test_rainflow import EXAMPLE

from nightturn.trend.damage import (
    LINE_OF_USER,
    NO_LIFE,
    Scale,
    SnLine,
    miner_sum,
    relative_damage,
    repetitions,
)
from nightturn.trend.load_history import LoadHistory, LoadSettings
from nightturn.trend.rainflow import Classes

ONE = Scale(1.0)
FINE = Classes(-32, 1)


def history_of(samples: list[int], classes: Classes = FINE, gate: int = 1) -> LoadHistory:
    history = LoadHistory.start(LoadSettings(gate, classes, rate_hz=1.0))
    history.add(int32s(samples))
    return history


def cycles(amount: int, size: int) -> list[int]:
    """That many closed cycles of a range from zero up."""
    return [0, *[size, 0] * amount]


@pytest.mark.parametrize(("slope", "expected"), [(3.0, 1094.0), (5.0, 67838.0)])
def test_the_damage_of_the_worked_example_is_that_of_its_counts(slope: float, expected: float) -> None:
    """ASTM E1049-85 (2017), 5.4.4: Σ n S^m over its cycles {3: 0.5, 4: 1.5, 6: 0.5, 8: 1, 9: 0.5}, by hand."""
    found = miner_sum(history_of(EXAMPLE), ONE, SnLine(n0=1.0, s0=1.0, slope=slope))

    assert found.value == pytest.approx(expected, rel=1e-12)
    assert (
        found.low == found.high == pytest.approx(expected, rel=1e-12)
    )  # classes of one count leave nothing open
    assert found.of_half_cycles == pytest.approx(1.0 - 4.0**slope / expected)


def test_the_equivalent_constant_range_of_the_worked_example() -> None:
    """As above: (1094 / 4)^(1/3) over its 4 cycles, by hand; a line through it fails after just these 4."""
    found = miner_sum(history_of(EXAMPLE), ONE, SnLine(n0=4.0, s0=(1094 / 4) ** (1 / 3), slope=3.0))

    assert found.value == pytest.approx(1.0, rel=1e-12)
    assert repetitions(found) == pytest.approx(1.0, rel=1e-12)


def test_shares_of_three_blocks_add_up() -> None:
    """M. A. Miner, Journal of Applied Mechanics 12, 1945 (from memory): 10 of 1000, 20 of 100 and 10 of 10 cycles are 1.21, by hand."""
    tenfold = np.log(10) / np.log(7)  # seven times the range takes a tenth of the cycles
    history = history_of([*cycles(10, 1), *cycles(20, 7), *cycles(10, 49)])

    found = miner_sum(history, ONE, SnLine(n0=1000.0, s0=1.0, slope=tenfold))

    assert found.value == pytest.approx(1.21, rel=1e-12)
    assert repetitions(found) == pytest.approx(1 / 1.21, rel=1e-12)
    assert LINE_OF_USER in found.remarks


@given(histories().filter(bool), st.floats(1.0, 9.0), st.integers(2, 7), GATES)
def test_the_truth_lies_between_the_edges_of_the_classes(
    samples: list[int], slope: float, step: int, gate: int
) -> None:
    line = SnLine(n0=1e6, s0=10.0, slope=slope)
    confirmed, newest = turning_points(samples, gate)
    true = sum(
        count * (size / 10.0) ** slope / 1e6 for size, _, count in cycles_of_points([*confirmed, *newest])
    )

    found = miner_sum(history_of(samples, Classes(-32 * step, step), gate), ONE, line)

    assert found.low * (1 - 1e-9) <= true <= found.high * (1 + 1e-9)
    assert found.low <= found.value <= found.high


@given(histories().filter(bool), st.floats(1.0, 9.0), st.floats(80.0, 300.0))
def test_the_truth_with_a_mean_load_lies_between_the_edges_of_the_classes(
    samples: list[int], slope: float, ultimate: float
) -> None:
    """Goodman's correction by hand for each cycle of the definition; classes on one side of the signal only, so that some means are
    outside."""
    line = SnLine(n0=1e6, s0=10.0, slope=slope, ultimate=ultimate)
    confirmed, newest = turning_points(samples, 1)
    true = sum(
        count * (size / (1 - abs(mean - 3) / ultimate) / 10.0) ** slope / 1e6
        for size, mean, count in cycles_of_points([*confirmed, *newest])
    )

    found = miner_sum(history_of(samples, Classes(0, 2)), Scale(-1.0, zero_counts=3.0), line)

    assert found.low * (1 - 1e-9) <= true <= found.high * (1 + 1e-9)


def test_a_mean_load_is_corrected_only_when_an_ultimate_load_is_given() -> None:
    """J. Goodman, Mechanics Applied to Engineering, 1899 (from memory): a mean of half the ultimate load doubles the range, by hand."""
    history = history_of([*[20, 30] * 3, 20])  # mean 25, range 10, as whole and half cycles 3 in all
    line = SnLine(n0=3.0, s0=10.0, slope=4.0)

    plain = miner_sum(history, ONE, line)
    raised = miner_sum(history, ONE, SnLine(n0=3.0, s0=10.0, slope=4.0, ultimate=50.0))
    other_sense = miner_sum(history_of([*[-20, -30] * 3, -20]), ONE, SnLine(3.0, 10.0, 4.0, ultimate=50.0))

    assert plain.value == pytest.approx(1.0, rel=1e-12)
    assert raised.low <= 16.0 <= raised.high
    assert raised.value == pytest.approx(16.0, rel=0.1)  # the mean of a closed cycle is known to half a count
    assert other_sense.low <= 16.0 <= other_sense.high


def test_a_mean_load_that_reaches_the_ultimate_load_is_infinite_damage() -> None:
    found = miner_sum(history_of([20, 30, 20]), ONE, SnLine(1.0, 1.0, 3.0, ultimate=25.0))

    assert found.value == found.high == float("inf")
    assert repetitions(found) == 0.0


def test_a_line_too_steep_for_numbers_is_infinite_and_no_warning() -> None:
    found = miner_sum(history_of([-30, 30, -30]), ONE, SnLine(1.0, 1e-9, 50.0))

    assert found.value == float("inf")


@given(histories().filter(lambda samples: len(set(samples)) > 1), st.floats(1.0, 9.0), st.floats(1e-6, 1e3))
def test_a_history_is_once_its_own_damage_whatever_the_unit(
    samples: list[int], slope: float, unit_per_count: float
) -> None:
    history = history_of(samples, Classes(-64, 2))

    found = relative_damage(history, history, slope, Scale(unit_per_count))

    assert found is not None
    assert found.value == pytest.approx(1.0, rel=1e-12)
    assert found.low <= 1.0 <= found.high
    assert found.remarks[-1] == NO_LIFE


@given(histories(60).filter(lambda samples: len(set(samples)) > 1), st.floats(1.0, 9.0), st.integers(2, 6))
def test_relative_damage_is_the_ratio_of_two_miner_sums(samples: list[int], slope: float, times: int) -> None:
    profile = [-9, 9, 0, 4, -9]
    history, reference = history_of(samples), history_of(profile * times)
    line = SnLine(1e6, 7.0, slope)

    found = relative_damage(history, reference, slope, Scale(2.0))

    assert found is not None
    expected = miner_sum(history, Scale(2.0), line).value / miner_sum(reference, Scale(2.0), line).value
    assert found.value == pytest.approx(expected, rel=1e-9)


@given(histories(60), histories(60), st.floats(1.0, 6.0), st.integers(2, 7))
def test_the_true_ratio_lies_between_the_bounds_of_a_relative_damage(
    samples: list[int], profile: list[int], slope: float, step: int
) -> None:
    above, below = (
        sum(
            count * size**slope
            for size, _, count in cycles_of_points([p for part in turning_points(each, 1) for p in part])
        )
        for each in (samples, profile)
    )
    classes = Classes(-32 * step, step)

    found = relative_damage(history_of(samples, classes), history_of(profile, classes), slope, ONE)

    if found is None:
        assert below == 0
    else:
        assert found.low * (1 - 1e-9) <= above / below <= found.high * (1 + 1e-9)


def test_a_bound_is_as_wide_as_the_classes_of_both_histories() -> None:
    """A cycle and a half of 40, and a closed one of 12 in a class from 10 to 19 in both: as little as 10 to 19, as much as 19 to 10, by hand."""
    history = history_of([0, 40, 20, 32, 0, 40], Classes(0, 10))

    found = relative_damage(history, history, 1.0, ONE)

    assert found is not None
    assert (found.low, found.high) == pytest.approx(((60 + 10) / (60 + 19), (60 + 19) / (60 + 10)))


def test_no_cycle_is_smaller_than_the_gate() -> None:
    """A cycle and a half of 40, and a closed one of 12 in a class from 10 to 19, gate 11: the gate is the lower edge."""
    found = miner_sum(history_of([0, 40, 20, 32, 0, 40], Classes(0, 10), gate=11), ONE, SnLine(1.0, 1.0, 1.0))

    assert (found.low, found.value, found.high) == (60 + 11, 60 + 15, 60 + 19)


def test_twice_the_load_costs_two_to_the_slope() -> None:
    reference = history_of([-5, 7, 0, 4, -5, 6, -5])

    found = relative_damage(reference, reference, 3.0, Scale(2.0), Scale(1.0))

    assert found is not None
    assert found.value == pytest.approx(8.0, rel=1e-12)
    assert any("take one gate for both" in remark for remark in found.remarks)


def test_what_weakens_either_history_is_said_of_it() -> None:
    history, reference = history_of([0, 5, 0]), history_of([0, 200, 0, 200, 0])
    history.add(int32s([3]), missing=4)

    found = relative_damage(history, reference, 3.0, ONE)

    assert found is not None
    assert found.low == 0.0  # how large the range above all classes is, nobody knows
    assert found.remarks[0].startswith("4 samples are missing")
    assert any(remark.startswith("reference: 1 cycles have a range above") for remark in found.remarks)


def test_a_reference_without_a_cycle_compares_with_nothing() -> None:
    assert relative_damage(history_of([0, 5, 0]), history_of([]), 3.0, ONE) is None
    assert relative_damage(history_of([]), history_of([4, 4]), 3.0, ONE) is None
    still = miner_sum(history_of([4, 4]), ONE, SnLine(1.0, 1.0, 3.0))
    assert (still.value, still.high, repetitions(still)) == (0.0, 0.0, None)


def test_no_function_gives_a_life_without_a_line() -> None:
    """What a relative damage says of itself names what is missing."""
    found = relative_damage(history_of([0, 5, 0]), history_of([0, 5, 0]), 5.0, ONE)

    assert found is not None
    assert "nothing of a life" in found.remarks[-1]
    assert "S-N line" in found.remarks[-1]


@pytest.mark.parametrize("wrong", [{"n0": 0.0}, {"s0": -1.0}, {"slope": float("nan")}, {"ultimate": 0.0}])
def test_a_line_without_meaning_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="each must be a number above 0"):
        SnLine(**{"n0": 1.0, "s0": 1.0, "slope": 3.0, **wrong})


def test_a_slope_or_scale_without_meaning_is_refused() -> None:
    history = history_of([0, 5, 0])
    with pytest.raises(ValueError, match="slope m is 0"):
        relative_damage(history, history, 0.0, ONE)
    with pytest.raises(ValueError, match="scale that is not 0"):
        Scale(0.0)
