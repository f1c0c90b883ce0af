"""A chain of lines: no line can be changed, left out, doubled or put in unseen."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.alarms.chain import FIRST, BrokenChainError, Line, opened, sealed
from nightturn.alarms.words import Audited

WORDS = [Audited("signed_in", f"operator {place}", "from pan-a1's page") for place in range(5)]


def chain() -> list[bytes]:
    head, lines = FIRST, []
    for place, word in enumerate(WORDS, start=1):
        text, head = sealed(Line(place, head, place * 10**9, word))
        lines.append(text)
    return lines


def read(lines: list[bytes]) -> list[object]:
    head, said = FIRST, list[object]()
    for place, text in enumerate(lines, start=1):
        line, head = opened(text, place, head)
        said.append(line.said)
    return said


def test_what_was_said_is_read_again() -> None:
    assert read(chain()) == WORDS


@given(place=st.integers(0, 4), at=st.floats(0, 0.999), to=st.integers(0, 255))
def test_any_other_byte_anywhere_is_seen(place: int, at: float, to: int) -> None:
    lines = chain()
    text = bytearray(lines[place])
    spot = int(at * (len(text) - 1))
    if text[spot] == to:
        return
    text[spot] = to
    lines[place] = bytes(text)
    with pytest.raises(BrokenChainError):
        read(lines)


@pytest.mark.parametrize("place", range(4))
def test_a_line_that_is_missing_doubled_or_swapped_is_seen(place: int) -> None:
    lines = chain()
    for other in (
        [*lines[:place], *lines[place + 1 :]],
        [*lines[: place + 1], *lines[place:]],
        [*lines[:place], lines[place + 1], lines[place], *lines[place + 2 :]],
    ):
        with pytest.raises(BrokenChainError):
            read(other)


def test_a_line_that_somebody_wrote_with_a_right_hash_of_its_own_does_not_follow() -> None:
    lines = chain()
    forged, _ = sealed(Line(3, FIRST, 3 * 10**9, WORDS[2]))
    with pytest.raises(BrokenChainError, match="the line before it is another one"):
        read([*lines[:2], forged, *lines[3:]])
