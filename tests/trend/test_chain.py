"""The whole chain from cycles to causes over nights whose truth is known, a few of them; `tests/benchmarks/chain_truth.py` has the long form."""

import hashlib

import pytest
from tests.benchmarks.chain.following import followed, terms
from tests.benchmarks.chain.nights import drawn, nights_of
from tests.benchmarks.chain_truth import ASKED, budget, started, told
from tests.benchmarks.evidence_truth import ASKED as STORIES
from tests.benchmarks.evidence_truth import seeds

from nightturn.evidence.rules import RULES
from nightturn.trend.following import Following

FIXED = (7,)
"""Not drawn from the table, so that another row makes no other nights."""


@pytest.mark.parametrize("story", ASKED)
def test_nights_of_fixed_seeds_break_no_bound(story: str) -> None:
    tally = started(story)
    for seed in FIXED:
        tally.join(told(seed, story))
    assert list(tally.broken(budget()[1])) == []
    assert tally.seen.hits == (len(FIXED) if tally.begins else 0)


def test_a_step_that_is_too_new_to_be_placed_is_not_told_as_a_ramp_from_before_it() -> None:
    night = drawn(nights_of(11)["chip"], 11)
    seen = followed(night, terms(budget()[0]))
    assert {each.changed.kind for each in seen.told} == {"step"}


def test_the_order_in_which_fixtures_come_does_not_matter() -> None:
    """Cores share nothing: cycles of two fixtures give the same state one after the other, by turns, and by turns the other way round."""
    both = [drawn(nights_of(5)[story], 5) for story in ("wear", "chip")]
    held = terms(budget()[0])

    def state(order: list[tuple[int, int]]) -> list[bytes]:
        cores = [Following(), Following()]
        for fixture, k in order:
            cores[fixture].cycle(both[fixture].record(k), held)
        return [each.packed for each in cores]

    cycles = range(150)
    apart = state([(fixture, k) for fixture in (0, 1) for k in cycles])
    assert state([(fixture, k) for k in cycles for fixture in (0, 1)]) == apart
    assert state([(fixture, k) for k in cycles for fixture in (1, 0)]) == apart


def test_every_story_that_was_asked_for_is_there() -> None:
    assert {*ASKED} == {*STORIES}


def test_a_course_that_is_left_out_because_nothing_can_follow_from_it_changes_nothing() -> None:
    night = drawn(nights_of(3)["wear"], 3)
    short, whole = (followed(night, terms(budget()[0]), every=every) for every in (False, True))
    assert (short.suspected, short.told, short.findings) == (whole.suspected, whole.told, whole.findings)
    assert short.told


def test_a_night_is_the_same_whenever_it_is_drawn() -> None:
    first, again = (drawn(nights_of(3)["spall"], 3) for _ in range(2))
    assert [first.record(k) for k in (0, 150)] == [again.record(k) for k in (0, 150)]
    assert [first.values(k) for k in (0, 150)] == [again.values(k) for k in (0, 150)]


def test_seeds_come_from_the_table_of_rules() -> None:
    digest = hashlib.sha256(f"0 {RULES!r}".encode()).digest()
    assert next(seeds(1)) == int.from_bytes(digest[:6], "big")
