"""Bytes that are no frame: every one is counted, and no line fills the tape with them."""

import asyncio
import random
from collections.abc import Callable, Sequence
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from nightturn.bench.line import BAD_EVERY_NS, Line
from nightturn.model.records import Bad, Frame, Record
from nightturn.storage import tape
from nightturn_protocol.framing import Deframer, to_wire

S = 1_000_000_000


class Babbler:
    """A port whose bytes the test gives."""

    name = "babbler"

    def open(self, on_bytes: Callable[[int, bytes], None], on_lost: Callable[[str], None]) -> None:
        self.say, self.lose = on_bytes, on_lost

    def write(self, content: bytes) -> None:
        raise AssertionError(content)

    def close(self) -> None:
        """Nothing to close."""


def heard(reads: Sequence[tuple[int, bytes]], *, reopened_at: int = -1) -> list[Record]:
    """The records that reads of a line become."""
    records: list[Record] = []

    async def listen() -> None:
        port = Babbler()
        line = Line("pan-a1", port, records.extend, lambda _fact: None)
        line.open()
        for number, (stamp_ns, content) in enumerate(reads):
            if number == reopened_at:
                line.drop()
                line.open()
            port.say(stamp_ns, content)
        line.stop()

    asyncio.run(listen())
    return records


def told(records: Sequence[Record]) -> int:
    return sum(record.count for record in records if isinstance(record, Bad))


def test_a_megabyte_a_second_of_noise_takes_some_kilobytes_a_second_of_tape_and_every_bad_frame_is_counted() -> (
    None
):
    noise, seconds, size = random.Random(7), 5, 500
    steps = [(n * S // 2000, noise.randbytes(size)) for n in range(2000 * seconds)]
    records = heard([*steps, (seconds * S + BAD_EVERY_NS, b"")])
    deframer = Deframer()
    for _, content in steps:
        deframer.receive_bytes(content)
    assert deframer.bad > 1000 * seconds
    assert told(records) == deframer.bad
    assert len(records) <= seconds * S // BAD_EVERY_NS + 2
    assert len(tape.encode_records(records, 1, 0)) < 2_000 * seconds


def test_the_first_bad_frame_is_told_at_once_and_frames_are_never_held_back() -> None:
    frame, bad = to_wire(b"\x01" * 40), b"\x03\x05\x07no frame\0"
    records = heard([(0, frame), (1, bad), (2, frame + bad), (3, frame), (1 + BAD_EVERY_NS, frame)])
    kinds = [(type(record), record.at_ns) for record in records]
    late = 1 + BAD_EVERY_NS
    assert kinds == [(Frame, 0), (Bad, 1), (Frame, 2), (Frame, 3), (Frame, late), (Bad, late)]


@given(
    st.lists(st.tuples(st.integers(0, 30_000_000), st.integers(0, 3)), min_size=1, max_size=60),
    st.integers(0, 60),
)
def test_no_bad_frame_is_lost_however_reads_fall_and_the_line_is_opened_again(
    steps: list[tuple[int, int]], reopened_at: int
) -> None:
    at_ns, reads = 0, []
    for wait_ns, count in steps:
        at_ns += wait_ns
        reads.append((at_ns, b"\0" + b"\x03\x05\x07no frame\0" * count))
    records = heard([*reads, (at_ns + BAD_EVERY_NS, b"\0")], reopened_at=reopened_at)
    stamps = [record.at_ns for record in records if isinstance(record, Bad)]
    assert told(records) == sum(count for _, count in steps)
    assert all(later - earlier >= BAD_EVERY_NS for earlier, later in pairwise(stamps))
