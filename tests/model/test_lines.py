"""A line carries the checksum of its text: what it says is never read changed."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.model.lines import checked, with_checksum

LINE = b'{"unit":"Q-0117","notes":"cable \xc2\xb1 2 turns"}'


@given(st.dictionaries(st.text(), st.text() | st.integers(), min_size=1))
def test_a_line_comes_back_as_it_was(content: dict[str, str | int]) -> None:
    line = msgspec.json.encode(content)
    assert checked(with_checksum(line)) == (line, True)
    assert checked(line) == (line, False)


@given(st.data())
def test_a_changed_bit_of_what_a_line_says_is_found(data: st.DataObject) -> None:
    content = bytearray(with_checksum(LINE))
    content[data.draw(st.integers(1, len(LINE) - 2))] ^= 1 << data.draw(st.integers(0, 7))
    with pytest.raises(msgspec.DecodeError, match="checksum"):
        checked(bytes(content))
