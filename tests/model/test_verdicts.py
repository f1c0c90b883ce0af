"""Met, missed, undecided: what the word on an interval may say, and which of several words decides."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from nightturn.model.limits import at_limit
from nightturn.model.verdicts import (
    GRAVEST_FIRST,
    MET,
    MISSED,
    NOT_JUDGED,
    OF_ALL_LIMITS,
    UNDECIDED,
    against,
    gravest,
)

VALUES = st.floats(-5, 5)
WIDTHS = st.floats(0, 5)
LIMITS = st.floats(0.01, 5)
GUARDS = st.floats(0, 1)
WORDS = st.sampled_from(GRAVEST_FIRST)
ORDER = {MET: 0, UNDECIDED: 1, MISSED: 2}


@given(VALUES, WIDTHS, LIMITS, GUARDS)
def test_only_an_interval_that_lies_on_one_side_as_a_whole_is_met_or_missed(
    low: float, width: float, limit: float, guard: float
) -> None:
    high, line = low + width, limit - guard
    assume(not at_limit(high, line) and not at_limit(low, limit))
    word = against(low, high, limit, guard)
    assert (word == MET) == (high <= line)
    assert (word == MISSED) == (low >= limit)
    assert (word == UNDECIDED) == (low < limit and high > line)


@given(VALUES, WIDTHS, LIMITS, GUARDS, st.floats(0, 1))
def test_a_larger_value_a_lower_limit_or_a_wider_guard_never_makes_it_better(
    low: float, width: float, limit: float, guard: float, more: float
) -> None:
    now = ORDER[against(low, low + width, limit, guard)]
    assert ORDER[against(low + more, low + width + more, limit, guard)] >= now
    assert ORDER[against(low, low + width, limit - more, guard)] >= now
    assert ORDER[against(low, low + width, limit, guard + more)] >= now


@given(VALUES, WIDTHS, LIMITS, st.floats(0, 1))
def test_a_wider_interval_never_turns_met_into_missed_nor_missed_into_met(
    low: float, width: float, limit: float, more: float
) -> None:
    narrow, wide = against(low, low + width, limit), against(low - more, low + width + more, limit)
    assert wide in {narrow, UNDECIDED}


@given(VALUES, LIMITS)
def test_a_value_without_width_is_always_decided_where_there_is_no_guard_band(
    value: float, limit: float
) -> None:
    assert against(value, value, limit) in {MET, MISSED}


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [(0.8, 1.0, MET), (1.0, 1.2, MISSED), (0.9, 1.1, UNDECIDED), (1.0, 1.0, MET), (-9.0, 0.0, MET)],
)
@pytest.mark.parametrize("noise", [-1e-13, 0.0, 1e-13])
def test_an_end_on_its_limit_is_decided_alike_whatever_the_last_digits_are(
    low: float, high: float, word: str, noise: float
) -> None:
    assert against(low * (1 + noise), high * (1 + noise), 1.0) == word


def test_between_acceptance_line_and_limit_nothing_is_proven() -> None:
    assert against(0.92, 0.98, 1.0, guard=0.1) == UNDECIDED
    assert against(0.8, 0.9, 1.0, guard=0.1) == MET
    assert against(1.0, 1.1, 1.0, guard=0.1) == MISSED


@given(st.lists(WORDS, min_size=1))
def test_the_gravest_of_several_words_decides_in_whatever_order_they_come(words: list[str]) -> None:
    found = gravest(words)
    assert found in words
    assert found == gravest(reversed(words)) == gravest([*words, found, MET])
    assert (found == MISSED) == (MISSED in words)
    assert (found == MET) == (set(words) == {MET})


def test_without_any_limit_nothing_is_judged() -> None:
    assert gravest([]) == NOT_JUDGED
    assert OF_ALL_LIMITS[NOT_JUDGED] == NOT_JUDGED


def test_each_word_on_a_limit_makes_one_of_the_whole() -> None:
    assert set(OF_ALL_LIMITS) == set(GRAVEST_FIRST)
    assert len(set(OF_ALL_LIMITS.values())) == len(OF_ALL_LIMITS)
