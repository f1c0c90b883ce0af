"""Cycles are those of the standard's worked example, of an independent package and of the definition, under any split."""

from collections import Counter, defaultdict
from random import Random

import numpy as np
import pytest
import rainflow as reference
from hypothesis import example, given
from hypothesis import strategies as st
from tests.trend.load_references import (
    CUTS,
    GATES,
    by_range,
    closed_in_any_order,
    histories,
    int32s,
    parts,
    state,
    turning_points,
)

from nightturn.trend import rainflow as module
from nightturn.trend.load_history import LoadHistory, LoadSettings
from nightturn.trend.rainflow import CLASSES, Classes

EXAMPLE = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
EXAMPLE_COUNTS = {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
"""The worked example of ASTM E1049-85 (2017), section 5.4.4, history and cycles of each range, as quoted from the edition of 2011 in issue 4 of
the public repository iamlikeme/rainflow, "counting_cycles does not produce correct results" (2017)."""
ONE_COUNT_WIDE = Classes(-32, 1)
EXACT_TO = 31  # samples within this have every range in a class of its own


def history_of(samples: list[int], gate: int = 1, cuts: tuple[int, ...] | list[int] = ()) -> LoadHistory:
    history = LoadHistory.start(LoadSettings(gate, ONE_COUNT_WIDE, rate_hz=1.0))
    for part in parts(samples, cuts):
        history.add(part)
    return history


@pytest.mark.parametrize("first", range(len(EXAMPLE) + 1))
@pytest.mark.parametrize("second", range(len(EXAMPLE) + 1))
def test_the_worked_example_of_the_standard_at_every_split(first: int, second: int) -> None:
    """ASTM E1049-85 (2017), 5.4.4."""
    history = history_of(EXAMPLE, cuts=(first, second))

    assert by_range(history.spectrum()) == EXAMPLE_COUNTS
    assert history.cycles.closed == 1
    assert history.cycles.matrix[4, ONE_COUNT_WIDE.of(int32s([1]))[0]] == 1  # E-F: range 4, mean 1


def test_the_residue_of_the_worked_example_is_half_cycles_with_their_means() -> None:
    """ASTM E1049-85 (2017), 5.4.4: ranges A-B, B-C, C-D, D-G, G-H, H-I; means by hand from the history."""
    found = history_of(EXAMPLE).spectrum()
    halves = found.cycles == 0.5

    assert found.ranges[halves].tolist() == [3, 4, 8, 9, 8, 6]
    assert found.means[halves].tolist() == [-0.5, -1.0, 1.0, 0.5, 0.0, 1.0]


def test_the_worked_example_goes_through_half_levels_as_counted_by_hand() -> None:
    """Reversals of ASTM E1049-85 (2017), 5.4.4; crossings counted from its figure, level -3.5 to 4.5. Edge k lies below count k."""
    up, down = history_of(EXAMPLE).through_edges()
    at = [list(ONE_COUNT_WIDE.edges_counts).index(count) for count in range(-3, 6)]

    assert up[at].tolist() == [1, 2, 3, 4, 4, 3, 3, 2, 1]
    assert down[at].tolist() == [1, 2, 3, 4, 4, 3, 3, 2, 1]
    assert up.sum() == up[at].sum()


small = histories().filter(lambda samples: len(samples) > 2 and max(map(abs, samples)) <= EXACT_TO)


@given(small, CUTS)
@example([0, 5, 0, 5, 0, 5, 0], [3])
def test_cycles_are_those_of_an_independent_package(samples: list[int], cuts: list[int]) -> None:
    """PyPI package `rainflow` 3.2.0, three-point counting after ASTM E1049-85, 5.4.4. That both countings agree: C. H. McInnes, P. A.
    Meehan, International Journal of Fatigue 30, 2008, 547-559 (from memory)."""
    expected: Counter[float] = Counter()
    for size, _, count, _, _ in reference.extract_cycles(samples):
        expected[size] += count
    del expected[0]  # the package counts a history that never moves as half a cycle of nothing

    assert by_range(history_of(samples, cuts=cuts).spectrum()) == dict(expected)


@given(small, CUTS)
def test_means_are_those_of_an_independent_package(samples: list[int], cuts: list[int]) -> None:
    """PyPI package `rainflow` 3.2.0; of closed cycles the class of the mean is known, one count wide, so half a count is left open."""
    found = history_of(samples, cuts=cuts).spectrum()
    intervals: dict[float, list[tuple[float, float]]] = defaultdict(list)  # a half cycle each
    for size, mean, slack, cycles in zip(
        found.ranges, found.means, found.mean_slack, found.cycles, strict=True
    ):
        intervals[float(size)] += [(float(mean - slack), float(mean + slack))] * int(2 * cycles)
    means: dict[float, list[float]] = defaultdict(list)
    for size, mean, cycles, _, _ in reference.extract_cycles(samples):
        means[size] += [mean] * int(2 * cycles)
    means.pop(0, None)

    assert intervals.keys() == means.keys()
    for size, ordered in means.items():
        pairs = zip(sorted(intervals[size]), sorted(ordered), strict=True)
        assert all(low <= mean <= high for (low, high), mean in pairs)


@given(small, GATES, CUTS)
def test_a_gate_leaves_out_smaller_cycles_and_changes_no_other(
    samples: list[int], gate: int, cuts: list[int]
) -> None:
    everything = by_range(history_of(samples).spectrum())

    gated = by_range(history_of(samples, gate, cuts).spectrum())

    assert gated == {size: cycles for size, cycles in everything.items() if size >= gate}


@given(small, GATES, CUTS, st.randoms(use_true_random=False))
def test_the_matrix_has_the_pairs_that_close_in_any_order(
    samples: list[int], gate: int, cuts: list[int], order: Random
) -> None:
    history = history_of(samples, gate, cuts)

    residue, pairs = closed_in_any_order(turning_points(samples, gate)[0], order, 1 << 30)

    expected = np.zeros_like(history.cycles.matrix)
    for (low, high), cycles in pairs.items():
        expected[high - low, (low + high) // 2 + 32 + 1] += cycles
    assert (history.cycles.matrix == expected).all()
    assert history.cycles.residue.tolist() == residue
    assert history.turns == len(turning_points(samples, gate)[0])


@given(small, GATES, CUTS)
def test_level_crossings_are_those_of_the_turning_points(
    samples: list[int], gate: int, cuts: list[int]
) -> None:
    confirmed, newest = turning_points(samples, gate)
    legs = list(zip([*confirmed, *newest][:-1], [*confirmed, *newest][1:], strict=True))

    up, down = history_of(samples, gate, cuts).through_edges()

    edges = ONE_COUNT_WIDE.edges_counts.tolist()
    assert up.tolist() == [sum(a < edge <= b for a, b in legs) for edge in edges]
    assert down.tolist() == [sum(b < edge <= a for a, b in legs) for edge in edges]


@given(histories(), st.integers(-40, 10), st.integers(1, 3))
def test_ranges_means_and_levels_outside_the_classes_are_counted_as_that(
    samples: list[int], low: int, step: int
) -> None:
    wide = [4 * sample for sample in samples]
    history = LoadHistory.start(LoadSettings(1, Classes(low, step), rate_hz=1.0))
    history.add(int32s(wide))
    _, pairs = closed_in_any_order(turning_points(wide, 1)[0], Random(1), 1 << 30)
    top = low + CLASSES * step

    assert history.cycles.matrix[-1].sum() == sum(n for (a, b), n in pairs.items() if b - a >= CLASSES * step)
    assert history.cycles.matrix[:, 0].sum() == sum(n for (a, b), n in pairs.items() if a + b < 2 * low)
    assert history.cycles.matrix[:, -1].sum() == sum(n for (a, b), n in pairs.items() if a + b >= 2 * top)
    assert history.at_level.tolist() == [
        sum(sample < low for sample in wide),
        *(sum(at <= sample < at + step for sample in wide) for at in range(low, top, step)),
        sum(sample >= top for sample in wide),
    ]


@given(st.integers(3, 90), st.booleans(), histories(60), CUTS)
@example(90, True, [], [45])
@example(90, False, [], [45])
def test_a_residue_that_is_full_is_closed_early_alike_under_any_split_and_says_so(
    turns: int, dies_away: bool, then: list[int], cuts: list[int]
) -> None:
    oscillation = [(-1) ** n * n for n in range(turns)][:: -1 if dies_away else 1]
    samples = [*oscillation, *then]
    exact = history_of(samples)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "RESIDUE_MAX", 16)
        patch.setattr(module, "_BY_PASSES", 4)
        whole, split = history_of(samples), history_of(samples, cuts=cuts)

    assert state(whole) == state(split)
    assert len(whole.cycles.residue) <= 16
    assert whole.is_exact == (state(whole) == state(exact)) == (whole.remarks == exact.remarks)
    assert whole.turns == exact.turns
    if turns == 90:
        assert not whole.is_exact
    for slope in (1, 3, 9):  # never less than half cycles of all that was open
        found, true = whole.spectrum(), exact.spectrum()
        assert (found.cycles * found.range_high**slope).sum() >= (true.cycles * true.ranges**slope).sum() * (
            1 - 1e-12
        )


def test_the_real_limit_holds_for_an_oscillation_that_grows_without_end() -> None:
    history = LoadHistory.start(LoadSettings(1, Classes(-8192, 256), rate_hz=1.0))
    turns = module.RESIDUE_MAX + 1000

    history.add(int32s([(-1) ** n * n for n in range(turns)]))

    assert len(history.cycles.residue) <= module.RESIDUE_MAX
    assert history.turns == turns - 1  # the newest is not yet confirmed
    assert history.cycles.closed_early == (turns - 1 - module.RESIDUE_MAX + 1) // 2
    assert any("closed early" in remark for remark in history.remarks)


@pytest.mark.parametrize(("low", "step"), [(0, 0), (0, 1 << 24), (-(1 << 29), 5)])
def test_classes_that_have_no_place_among_the_counts_are_refused(low: int, step: int) -> None:
    with pytest.raises(ValueError, match="width of at least one count"):
        Classes(low, step)
