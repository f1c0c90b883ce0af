"""The table of conditions: whatever calls for a person says what that person does, and nothing explains itself."""

import pytest

from nightturn.alarms import conditions
from nightturn.alarms.conditions import CONDITIONS, condition_of
from nightturn.model.alarms import OTHER_THAN_GO
from nightturn.model.trends import URGENCIES
from nightturn.telemetry.topics import WORD


@pytest.mark.parametrize("word", CONDITIONS)
def test_every_condition_says_how_urgent_it_is_and_what_to_do(word: str) -> None:
    row = CONDITIONS[word]
    assert row.severity in URGENCIES
    assert row.title[0].islower()
    assert row.todo[0].isupper()
    assert not row.todo.endswith(".")
    assert len(row.todo) > 20
    assert WORD.fullmatch(word)  # it is part of a topic
    assert row.within_s > 0 or row.times == 1


def test_what_explains_is_in_the_table_and_nothing_explains_itself_by_any_way() -> None:
    def behind(word: str, seen: tuple[str, ...] = ()) -> set[str]:
        assert word not in seen, (*seen, word)
        direct = CONDITIONS[word].explained_by
        return {*direct, *(each for one in direct for each in behind(one, (*seen, word)))}

    assert set().union(*(behind(word) for word in CONDITIONS)) <= set(CONDITIONS)


def test_every_alarm_that_a_core_can_end_by_itself_has_a_row_of_its_own() -> None:
    assert set(OTHER_THAN_GO) - conditions.OF_TRENDS <= set(CONDITIONS)


def test_what_concerns_hands_begins_with_the_safe_state() -> None:
    hands = [
        row.todo
        for row in CONDITIONS.values()
        if "look at unit" in row.todo or "cable and its plug" in row.todo
    ]
    assert hands
    assert all(todo.startswith("Drive off and rig made safe: ") for todo in hands)


def test_an_alarm_that_nobody_has_made_a_row_for_is_urgent() -> None:
    assert condition_of("device_code_77").severity == "act now"
