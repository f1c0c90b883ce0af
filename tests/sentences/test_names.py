"""Names in a sentence: as they are, or set apart where their writing runs to the left or turns what follows."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.sentences.names import STEERING, isolated


@pytest.mark.parametrize("name", ["Q-0117", "R. Vale", "\u5358\u4f53-7", "\u00c9. Th\u00f6rn", ""])
def test_a_name_that_runs_to_the_right_stays_as_it_is(name: str) -> None:
    assert isolated(name) == name


def test_a_name_that_runs_to_the_left_is_set_apart() -> None:
    assert isolated("\u05d0\u05d1-7") == "\u2068\u05d0\u05d1-7\u2069"


@given(
    name=st.text(st.sampled_from("Q-1\u05d0\u0645\u202d\u202e\u202c\u2066\u2067\u2068\u2069"), max_size=12)
)
def test_no_name_turns_what_stands_behind_it(name: str) -> None:
    found = isolated(name)
    steering = [sign for sign in found if unicodedata.bidirectional(sign) in STEERING]
    assert steering in ([], ["\u2068", "\u2069"])
    assert not steering or found[0] + found[-1] == "".join(steering)
    assert [sign for sign in found if sign not in steering] == [
        sign for sign in name if unicodedata.bidirectional(sign) not in STEERING
    ]
