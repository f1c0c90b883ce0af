"""The sentence over a wall."""

import pytest

from nightturn.sentences.wall import silent_sentence, wall_sentence


@pytest.mark.parametrize(
    ("fixtures", "need", "silent", "turning", "said"),
    [
        (0, 0, 0, 0, "No fixture has recorded anything here yet."),
        (1, 0, 0, 1, "The fixture turns smoothly."),
        (1, 1, 0, 0, "The fixture needs a person."),
        (1, 0, 1, 0, "The fixture needs nobody; one is silent."),
        (64, 0, 0, 64, "All 64 fixtures turn smoothly."),
        (12, 0, 0, 12, "All twelve fixtures turn smoothly."),
        (12, 0, 0, 11, "None of twelve fixtures needs a person."),
        (64, 3, 1, 60, "Three of 64 fixtures need a person; one is silent."),
        (64, 1, 14, 49, "One of 64 fixtures needs a person; 14 are silent."),
        (64, 0, 2, 62, "None of 64 fixtures needs a person; two are silent."),
    ],
)
def test_it_counts_who_needs_a_person_and_who_is_silent(
    fixtures: int, need: int, silent: int, turning: int, said: str
) -> None:
    assert wall_sentence(fixtures, need, silent, turning=turning) == said


def test_a_silent_fixture_says_what_it_did_only_where_that_is_known() -> None:
    assert silent_sentence("01:56 +00:00", ("turning", "cycle 80")) == (
        "No word from it since 01:56 +00:00. It was turning, cycle 80; what is drawn is from then and older."
    )
    assert silent_sentence("", ()) == (
        "No word from it and it is not known since when. What is drawn is from then and older."
    )
