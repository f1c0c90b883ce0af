"""Tiles: the same samples however the device cuts its blocks and however large the tiles are."""

import msgspec
import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from tests.acquisition.fake_device import block_message, encoder_of, torque_of

from nightturn.acquisition.outputs import BlockIn
from nightturn.acquisition.tiler import Tiler
from nightturn.model.tiles import Tile
from nightturn_protocol.framing import frame_body
from nightturn_protocol.messages import EncoderForm

TICKS = 100


def block(index: int, count: int, *, form: int = EncoderForm.DELTA16, tick: int | None = None) -> BlockIn:
    """A block whose torque and encoder follow from the sample number; flags and inputs from the first one."""
    numbers = range(index, index + count)
    tick = 5000 + index * TICKS if tick is None else tick
    flags, inputs = index % 5, index % 7
    torque, encoder = [torque_of(i) for i in numbers], [encoder_of(i) for i in numbers]
    message = block_message(index, tick, torque, encoder, form=form, flags=flags, inputs=inputs)
    return BlockIn(1, 1, index, tick, message.encoder_base, count, flags, inputs, frame_body(message, 7, 1))


def tiled(blocks: list[BlockIn], size: int, epoch: int = 0) -> list[Tile]:
    tiler = Tiler.start(size, TICKS)
    tiles = [tile for one in blocks for tile in tiler.add(one, epoch)]
    return tiles + tiler.flush()


def assert_samples(tiles: list[Tile], numbers: list[int]) -> None:
    """The tiles hold exactly these samples, in order, with their own torque, encoder and tick."""
    assert [i for tile in tiles for i in range(tile.index, tile.end)] == numbers
    assert np.concatenate([tile.raw for tile in tiles]).tolist() == [torque_of(i) for i in numbers]
    assert np.concatenate([tile.encoder for tile in tiles]).tolist() == [encoder_of(i) for i in numbers]
    for tile in tiles:
        assert tile.tick == 5000 + tile.index * TICKS
        assert len(tile.flags) == len(tile.inputs) == len(tile.encoder) == len(tile.raw)


def blocks_of(counts: list[int], start: int) -> list[BlockIn]:
    blocks = []
    for number, count in enumerate(counts):
        blocks.append(block(start, count, form=1 + number % 2))
        start += count
    return blocks


@given(
    st.lists(st.integers(1, 30), min_size=1, max_size=25),
    st.integers(1, 90),
    st.integers(0, 200),
)
def test_any_tile_size_and_any_cut_into_blocks_give_the_same_samples(
    counts: list[int], size: int, start: int
) -> None:
    blocks = blocks_of(counts, start)
    tiles = tiled(blocks, size)
    assert_samples(tiles, list(range(start, start + sum(counts))))
    for tile in tiles[:-1]:
        assert tile.end % size == 0
    assert all(tile.index // size == (tile.end - 1) // size for tile in tiles), "no tile crosses an edge"
    flags = np.concatenate([tile.flags for tile in tiles]).tolist()
    assert flags == [one.index % 5 for one in blocks for _ in range(one.count)]
    inputs = np.concatenate([tile.inputs for tile in tiles]).tolist()
    assert inputs == [one.index % 7 for one in blocks for _ in range(one.count)]


@given(
    st.lists(st.tuples(st.integers(1, 20), st.integers(0, 3)), min_size=1, max_size=15), st.integers(1, 60)
)
def test_no_tile_spans_a_gap(blocks_and_gaps: list[tuple[int, int]], size: int) -> None:
    blocks: list[BlockIn] = []
    numbers: list[int] = []
    index = 0
    for count, gap in blocks_and_gaps:
        index += gap
        blocks.append(block(index, count))
        numbers += range(index, index + count)
        index += count
    assert_samples(tiled(blocks, size), numbers)


@given(st.lists(st.integers(1, 30), min_size=2, max_size=12), st.integers(1, 90), st.integers(0, 11))
def test_a_tiler_restored_from_a_snapshot_goes_on_alike(counts: list[int], size: int, at: int) -> None:
    blocks = blocks_of(counts, 3)
    tiler, tiles = Tiler.start(size, TICKS), []
    for number, one in enumerate(blocks):
        if number == at:
            tiler = msgspec.msgpack.decode(msgspec.msgpack.encode(tiler), type=Tiler)
        tiles += tiler.add(one, 0)
    tiles += tiler.flush()
    assert_samples(tiles, list(range(3, 3 + sum(counts))))


def test_a_change_of_epoch_ends_the_tile() -> None:
    tiler = Tiler.start(1000, TICKS)
    assert tiler.add(block(0, 10), 4) == []
    (old,) = tiler.add(block(10, 10), 5)
    (new,) = tiler.flush()
    assert (old.epoch, old.index, old.end) == (4, 0, 10)
    assert (new.epoch, new.index, new.end) == (5, 10, 20)


def test_a_clock_that_jumps_ends_the_tile_because_its_ticks_are_equally_spaced() -> None:
    tiler = Tiler.start(1000, TICKS)
    tiler.add(block(0, 10), 0)
    (first,) = tiler.add(block(10, 10, tick=5000 + 10 * TICKS + 3), 0)
    (second,) = tiler.flush()
    assert (first.end, second.index, second.tick) == (10, 10, 5000 + 10 * TICKS + 3)


def test_a_flush_of_nothing_gives_nothing() -> None:
    tiler = Tiler.start(10, TICKS)
    assert tiler.flush() == []
    assert len(tiler.add(block(0, 10), 0)) == 1
    assert tiler.flush() == []
    assert tiler.flush() == []
