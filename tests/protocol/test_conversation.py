"""Sequence numbers and the test pattern."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.protocol.vector_files import lines

from nightturn_protocol.conversation import seq_add, seq_after, seq_distance
from nightturn_protocol.pattern import pattern_encoder, pattern_torque

seqs = st.integers(0, 2**32 - 1)


@given(seqs, st.integers(-(2**31), 2**31 - 1))
def test_distance_undoes_addition_across_the_wrap(seq: int, count: int) -> None:
    assert seq_distance(seq, seq_add(seq, count)) == count
    assert seq_after(seq_add(seq, count), seq) == (count > 0)


@pytest.mark.parametrize(
    ("seq", "other", "after"),
    [
        (1, 0, True),
        (0, 0, False),
        (0, 1, False),
        (0, 0xFFFFFFFF, True),
        (0xFFFFFFFF, 0, False),
        (44, 0x80000000 + 45, True),
    ],
)
def test_serial_numbers_compare_as_rfc_1982_says(seq: int, other: int, after: bool) -> None:
    # RFC 1982 section 3.2 with SERIAL_BITS 32 (rule from memory)
    assert seq_after(seq, other) is after


def test_the_pattern_follows_from_the_index_and_its_vectors() -> None:
    seen = [line for line in lines("framing.jsonl") if line["what"] == "pattern"]
    assert seen
    for line in seen:
        # by exact arithmetic: the low 24 bits of index x 40503, two's complement
        torque = (line["index"] * 40503 + 2**23) % 2**24 - 2**23
        assert pattern_torque(line["index"]) == line["torque"] == torque
        assert pattern_encoder(line["index"]) == line["encoder"] == 37 * line["index"]


def test_no_pattern_value_comes_twice_soon() -> None:
    values = [pattern_torque(index) for index in range(20_000)]
    assert len(set(values)) == 20_000
    assert min(values) < -8_000_000
    assert max(values) > 8_000_000
