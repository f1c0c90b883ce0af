"""The logbook's file says what was written, and names what it cannot say."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.logbook.writing import book, entry

from nightturn.logbook.entries import NAME_MAX, TEXT_MAX, angle_problem, name_problem, text_problem
from nightturn.logbook.lines import encoded, read

TEXTS = st.text(st.characters(codec="utf-8"), max_size=60)
WHOLE = b"".join(encoded(entry(number, text=f"line {number}")) for number in (1, 2, 3))


@given(st.lists(TEXTS, max_size=6))
def test_what_is_written_is_read_back(texts: list[str]) -> None:
    lines = [entry(number, text=text) for number, text in enumerate(texts, 1)]
    found = book(*lines)
    assert (list(found.entries), found.damages, found.unsigned, found.torn) == (lines, (), 0, False)
    assert found.last == len(lines)


@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 255))
def test_no_changed_byte_goes_unsaid(at: int, other: int) -> None:
    """A line may be lost to it, never be taken for another one."""
    spoilt = bytearray(WHOLE)
    spoilt[at] ^= other
    found = read(bytes(spoilt))
    assert found.damages or found.torn or found.unsigned
    assert {each.text for each in found.entries if not found.unsigned} <= {"line 1", "line 2", "line 3"}


@given(st.integers(0, len(WHOLE)))
def test_a_torn_end_costs_the_last_line_only(cut: int) -> None:
    found = read(WHOLE[:cut])
    assert found.damages == ()
    assert len(found.entries) == WHOLE[:cut].count(b"\n")
    assert found.torn == (not WHOLE[:cut].endswith(b"\n") and cut > 0)


def test_a_line_that_was_taken_out_or_put_in_twice_is_named() -> None:
    one, two, three = (entry(number) for number in (1, 2, 3))
    assert book(one, three).damages == ("line 2 is absent before number 3",)
    assert book(one, two, two, three).damages == (
        "line 3 has number 2, which a line before it has or should have",
    )
    assert book(three).damages == ("lines 1 to 2 are absent before number 3",)
    assert book(one, three).last == 3


def test_a_line_without_a_checksum_is_counted_and_one_that_is_no_entry_is_named() -> None:
    bare = b'{"number":1,"kind":"note","utc_ns":1,"by":"R. Vale","text":"by hand"}\n'
    assert (read(bare).unsigned, read(bare).entries[0].text) == (1, "by hand")
    (damage,) = read(b"{}\n").damages
    assert damage.startswith("line 1 cannot be read")


def test_what_waits_for_an_answer_ends_with_the_first_answer() -> None:
    asked, answer = entry(1, open=True, unit="Q-1"), entry(2, "closed", closes=1)
    assert book(asked).unanswered == (asked,)
    assert book(asked, answer, entry(3, "closed", closes=1)).closings[1] == answer
    assert book(asked, answer).unanswered == ()
    assert book(asked, answer).of_unit("Q-1") == (asked,)


@pytest.mark.parametrize("name", ["R. Vale", "محمد الريس", "王小明", "Ødegård-O'Neil"])
def test_a_name_of_any_script_is_a_name(name: str) -> None:
    assert name_problem(name) is None


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "is empty"),
        ("  ", "is empty"),
        ("R.\nVale", "is longer than a line"),
        ("\x1b[31mR. Vale", "U+001B"),
        ("R.\u202eelaV", "U+202E"),
        ("R.\u2028Vale", "U+2028"),
        ("\udc80", "U+DC80"),
        ("V" * (NAME_MAX + 1), "129 characters"),
    ],
)
def test_a_name_that_a_terminal_or_page_would_obey_is_none(name: str, said: str) -> None:
    assert said in (name_problem(name) or "")


def test_a_text_may_have_lines_and_an_end() -> None:
    assert text_problem("first\n\tsecond", TEXT_MAX) is None
    assert "4001 characters" in (text_problem("x" * (TEXT_MAX + 1), TEXT_MAX) or "")


@pytest.mark.parametrize(
    ("angle_deg", "good"), [(0.0, True), (359.99, True), (360.0, False), (-1.0, False), (float("nan"), False)]
)
def test_an_angle_lies_on_one_turn(angle_deg: float, good: bool) -> None:
    assert (angle_problem(angle_deg) is None) is good
