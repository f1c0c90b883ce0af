"""What tear-downs found is held against what was predicted when it was written down."""

from hypothesis import given
from hypothesis import strategies as st
from tests.logbook.writing import RUN, book, entry, finding

from nightturn.logbook.entries import CAUSES, NOTHING, OTHER
from nightturn.logbook.torn_down import IN_THE_UNIT, Tally, outcomes, tally
from nightturn.logbook.wording import outcome_text, tally_text, what_text


def test_a_predicted_cause_that_is_found_is_a_hit_and_one_that_is_not_is_a_miss() -> None:
    found = outcomes(book(finding(1, "bearing", "bearing", "magnets")))
    assert [(each.cause, each.predicted, each.found) for each in found] == [
        ("bearing", True, True),
        ("magnets", True, False),
    ]
    assert tally(found) == Tally(hits=1, misses=1)


def test_what_nobody_predicted_is_counted_apart_whether_the_table_names_it_or_not() -> None:
    assert tally(outcomes(book(finding(1, "wear")))) == Tally(not_predicted=1)
    assert tally(outcomes(book(finding(1, OTHER, "bearing")))) == Tally(misses=1, not_predicted=1)


def test_findings_behind_one_run_are_one_tear_down_and_behind_another_one_a_second() -> None:
    one = (finding(1, "bearing", "bearing", "wear"), finding(2, "wear", "bearing", "wear"))
    assert tally(outcomes(book(*one))) == Tally(hits=2)
    other = finding(3, "wear", "bearing", run="20261126T213000Z-4f1c")
    assert tally(outcomes(book(*one, other))) == Tally(hits=2, misses=1, not_predicted=1)


def test_a_cause_outside_the_unit_is_no_miss() -> None:
    found = outcomes(book(finding(1, "bearing", "bearing", "zero drift")))
    assert tally(found) == Tally(hits=1, not_shown=1)
    assert {each.cause: each.shown for each in found} == {"bearing": True, "zero drift": False}
    assert {*CAUSES} > IN_THE_UNIT


def test_nothing_found_is_a_miss_of_what_was_predicted_and_right_where_nothing_was() -> None:
    assert tally(outcomes(book(finding(1, NOTHING, "bearing")))) == Tally(misses=1)
    assert tally(outcomes(book(finding(1, NOTHING)))) == Tally(right_quiet=1)
    assert tally(outcomes(book(finding(1, NOTHING), finding(2, "wear")))) == Tally(not_predicted=1)


def test_where_nobody_knows_what_was_predicted_nothing_is_counted_for_or_against() -> None:
    found = outcomes(book(finding(1, "bearing", predicted=None), finding(2, "wear", "wear")))
    assert tally(found) == Tally(unknown=2)
    assert all("not known" in outcome_text(each) for each in found)


def test_a_finding_that_was_withdrawn_counts_no_more() -> None:
    assert outcomes(book(finding(1, "bearing", "bearing"), entry(2, "closed", closes=1))) == ()


CAUSE_SETS = st.lists(st.sampled_from([*CAUSES]), max_size=4, unique=True)


@given(st.lists(st.tuples(st.sampled_from([*CAUSES]), CAUSE_SETS, st.sampled_from(["A", "B"])), max_size=8))
def test_counts_of_the_units_add_up_to_those_of_all(drawn: list[tuple[str, list[str], str]]) -> None:
    lines = [finding(n, cause, *named, unit=unit) for n, (cause, named, unit) in enumerate(drawn, 1)]
    every = outcomes(book(*lines))
    whole = tally(every)
    parts = [tally(each for each in every if each.unit == unit) for unit in ("A", "B")]
    for name in Tally.__struct_fields__:
        assert getattr(whole, name) == sum(getattr(each, name) for each in parts)
    found = {(unit, cause) for cause, _, unit in drawn if cause != NOTHING}
    assert whole.hits + whole.not_predicted == len(found)


def test_words_follow_what_was_predicted() -> None:
    assert what_text(finding(1, "bearing", "bearing")) == "found: damage in a bearing (predicted)"
    assert what_text(finding(1, "wear", "bearing")).endswith("(not predicted; predicted was bearing)")
    assert what_text(finding(1, NOTHING)) == "found: nothing wrong (nothing was predicted)"
    unknown = finding(1, "wear", predicted=None, unpredicted="too few cycles")
    assert what_text(unknown).endswith("(what was predicted is not known: too few cycles)")
    assert what_text(entry(1, "intervention", cause=OTHER)) == "intervention"
    assert what_text(entry(1, open=True)) == "note, to be answered"
    assert what_text(entry(2, "closed", closes=1)) == "answers 1"
    found = outcomes(book(finding(1, "bearing", "bearing", "zero drift", "wear")))
    assert [outcome_text(each).partition(":")[0] for each in found] == [
        "predicted and found",
        "predicted, not found",
        "predicted, and a tear-down does not show it",
    ]
    said = tally_text(tally(found))
    assert said.startswith("hits 1 (predicted and found), misses 1 (predicted, not found), not predicted 0")
    assert found[0].run == RUN
