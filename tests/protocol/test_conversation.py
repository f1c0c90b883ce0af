"""Sequence numbers, remembered replies and the test pattern."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.protocol.vector_files import lines

from nightturn_protocol.conversation import LaneSequences, ReplyCache, seq_add, seq_after, seq_distance
from nightturn_protocol.messages import REPLIES_KEPT, Lane
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


def test_each_lane_counts_for_itself_and_wraps() -> None:
    sequences = LaneSequences(0xFFFFFFFF)
    assert [sequences.take(Lane.CONTROL) for _ in range(3)] == [0xFFFFFFFF, 0, 1]
    assert sequences.peek(Lane.DATA) == 0xFFFFFFFF
    sequences.restart(Lane.NOTICE, 5)
    assert (sequences.take(Lane.NOTICE), sequences.peek(Lane.NOTICE), sequences.peek(Lane.CONTROL)) == (
        5,
        6,
        2,
    )


def test_a_retry_finds_the_reply_of_its_first_try() -> None:
    cache = ReplyCache()
    assert cache.find(7, 0x85) is None
    cache.keep(7, 0x85, b"done")
    assert cache.find(7, 0x85) == b"done"
    assert cache.find(7, 0x86) is None
    cache.clear()
    assert cache.find(7, 0x85) is None


@given(st.lists(st.integers(0, 20), max_size=60))
def test_only_the_newest_replies_are_kept(seqs_in: list[int]) -> None:
    cache = ReplyCache()
    for seq in seqs_in:
        cache.keep(seq, 0x85, seq.to_bytes(1, "little"))
    newest = list(dict.fromkeys(reversed(seqs_in)))[:REPLIES_KEPT]
    for seq in range(21):
        assert cache.find(seq, 0x85) == (seq.to_bytes(1, "little") if seq in newest else None)


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
