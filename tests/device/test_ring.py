"""The ring of encoded blocks in C against a model; PROTOCOL.md section 4."""

import ctypes

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.device.library import RING_BLOCKS, RING_BYTES, Ring, core

from nightturn_protocol.conversation import seq_add, seq_distance
from nightturn_protocol.messages import DATA_FRAME_BYTES

WIRE_MAX = DATA_FRAME_BYTES + DATA_FRAME_BYTES // 254 + 2


class CRing:
    """`nt_ring`, begun at any sequence number."""

    def __init__(self, first: int = 0) -> None:
        self.c = Ring()
        self._ref = ctypes.byref(self.c)
        self._out = ctypes.create_string_buffer(WIRE_MAX)
        core().nt_ring_init(self._ref)
        self.c.oldest_seq = self.c.next_seq = self.c.next_send = first

    def push(self, block: bytes) -> None:
        core().nt_ring_push(self._ref, block, len(block))

    def send_next(self) -> bytes:
        n = core().nt_ring_send_next(self._ref, self._out)
        return self._out.raw[:n]

    def again(self, seq: int) -> bytes | None:
        n = core().nt_ring_again(self._ref, seq, self._out)
        return self._out.raw[:n] or None

    @property
    def has_unsent(self) -> bool:
        return bool(core().nt_ring_has_unsent(self._ref))


class Model:
    """What a ring is: a list of blocks from `oldest` on, of which some are sent."""

    def __init__(self, first: int) -> None:
        self.oldest = first
        self.blocks: list[bytes] = []
        self.sent = 0
        self.overwritten = 0
        self.high_water = 0

    def push(self, block: bytes) -> None:
        while self.blocks and (
            sum(map(len, self.blocks)) + len(block) > RING_BYTES or len(self.blocks) == RING_BLOCKS
        ):
            del self.blocks[0]
            self.oldest = seq_add(self.oldest, 1)
            self.overwritten += self.sent == 0
            self.sent = max(0, self.sent - 1)
        self.blocks.append(block)
        self.high_water = max(self.high_water, sum(map(len, self.blocks[self.sent :])))

    def send_next(self) -> bytes:
        self.sent += 1
        return self.blocks[self.sent - 1]

    def again(self, seq: int) -> bytes | None:
        at = seq_distance(self.oldest, seq)
        return self.blocks[at] if 0 <= at < self.sent else None


FIRSTS = st.sampled_from([0, (1 << 32) - 1, (1 << 32) - 40, (1 << 31) - 3, 12345])
SIZES = st.sampled_from([1, 60, 98, 100, 548, WIRE_MAX]) | st.integers(1, WIRE_MAX)


@given(FIRSTS, st.lists(st.tuples(SIZES, st.integers(0, 3)), max_size=250))
@settings(max_examples=60)
def test_the_ring_does_what_a_list_of_blocks_does(first: int, script: list[tuple[int, int]]) -> None:
    ring, model = CRing(first), Model(first)
    for number, (size, sends) in enumerate(script):
        block = bytes((number * 7 + at) & 0xFF for at in range(size))
        ring.push(block)
        model.push(block)
        for _ in range(sends):
            assert ring.has_unsent == (model.sent < len(model.blocks))
            if ring.has_unsent:
                assert ring.send_next() == model.send_next()
        c = ring.c
        assert c.oldest_seq == model.oldest
        assert c.next_seq == seq_add(model.oldest, len(model.blocks))
        assert c.next_send == seq_add(model.oldest, model.sent)
        assert (c.overwritten_unsent, c.high_water) == (model.overwritten, model.high_water)
        assert c.used == sum(map(len, model.blocks)) <= RING_BYTES
    for away in range(-3, len(model.blocks) + 3):
        seq = seq_add(model.oldest, away)
        assert ring.again(seq) == model.again(seq)


def test_a_ring_that_is_emptied_numbers_from_0_and_keeps_its_counters() -> None:
    ring = CRing(90)
    for _ in range(200):
        ring.push(b"x" * 500)
    before = (ring.c.overwritten_unsent, ring.c.high_water)
    assert before == (200 - RING_BYTES // 500, RING_BYTES // 500 * 500)
    core().nt_ring_empty(ctypes.byref(ring.c))
    assert (ring.c.overwritten_unsent, ring.c.high_water) == before
    assert (ring.c.oldest_seq, ring.c.next_seq, ring.c.next_send, ring.c.used, ring.c.waiting) == (0,) * 5
    assert not ring.has_unsent
    assert ring.again(0) is None
    ring.push(b"new")
    assert ring.send_next() == b"new"
    assert ring.again(0) == b"new"


@pytest.mark.parametrize("length", [1, RING_BYTES // RING_BLOCKS, WIRE_MAX])
def test_a_block_across_the_end_of_the_memory_is_whole(length: int) -> None:
    ring = CRing()
    for number in range(3 * RING_BYTES // length + 3):
        block = bytes((number + at) & 0xFF for at in range(length))
        ring.push(block)
        assert ring.send_next() == block
        assert ring.again(number) == block
