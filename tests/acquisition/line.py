"""A link and the small device with a line between them that the test bends: lose, repeat, delay, reorder."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import msgspec
from tests.acquisition.fake_device import FakeDevice

from nightturn.acquisition.link import Link, LinkSettings
from nightturn.acquisition.outputs import (
    BlockIn,
    LinkFault,
    Missing,
    Output,
    Restarted,
    SendFrame,
    SessionUp,
    Skipped,
)
from nightturn_protocol.framing import parse_header
from nightturn_protocol.messages import Block

MS = 1_000_000
# 1 kHz in blocks of ten: one block each 10 ms
SETTINGS = LinkSettings(rate_millihz=1_000_000, samples_per_block=10, status_ms=100)
NONCE = 77

Bend = Callable[[bytes], Sequence[bytes]]


def straight(body: bytes) -> Sequence[bytes]:
    """Nothing happens to a frame."""
    return (body,)


@dataclass
class Line:
    """Carries frames at once, through `to_host` and `to_device`, and keeps what the link says."""

    device: FakeDevice = field(default_factory=FakeDevice)
    link: Link = field(default_factory=lambda: Link.start(SETTINGS, NONCE))
    to_host: Bend = straight
    to_device: Bend = straight
    now_ns: int = 0
    record_no: int = 0
    said: list[Output] = field(default_factory=list)
    sent: list[bytes] = field(default_factory=list)
    block_records: list[int] = field(default_factory=list)
    snapshots: bool = False

    def carry(self, outputs: Sequence[Output]) -> None:
        """Keep what was said, send what is to be sent, bring the answers back."""
        todo = list(outputs)
        while todo:
            output = todo.pop(0)
            if not isinstance(output, SendFrame):
                self.said.append(output)
                continue
            self.sent.append(output.body)
            for body in self.to_device(output.body):
                for answer in self.device.receive(body):
                    for bent in self.to_host(answer):
                        todo += self.frame(bent)

    def frame(self, body: bytes) -> list[Output]:
        """One frame into the link."""
        if self.snapshots:
            self.link = msgspec.msgpack.decode(msgspec.msgpack.encode(self.link), type=Link)
        self.record_no += 1
        if len(body) >= 8 and parse_header(body).kind == Block.KIND:
            self.block_records.append(self.record_no)
        return self.link.frame(self.now_ns, self.record_no, body)

    def arrive(self, bodies: Sequence[bytes]) -> None:
        """Frames from the device, through the bend."""
        for body in bodies:
            for bent in self.to_host(body):
                self.carry(self.frame(bent))

    def open(self) -> None:
        """The byte stream opens."""
        self.carry(self.link.opened(self.now_ns))

    def lose(self) -> None:
        """The byte stream is lost."""
        self.carry(self.link.lost(self.now_ns))

    def tick(self, ms: int = 100, times: int = 1) -> None:
        """Time passes."""
        for _ in range(times):
            self.now_ns += ms * MS
            self.carry(self.link.tick(self.now_ns))

    def stream(self, blocks: int, *, status_every: int = 10) -> None:
        """The device samples on in real time: a block each 10 ms, a STATUS and a tick each `status_every` blocks."""
        for number in range(blocks):
            self.now_ns += 10 * MS
            self.arrive(self.device.produce())
            if number % status_every == status_every - 1:
                self.arrive([self.device.status()])
                self.carry(self.link.tick(self.now_ns))

    @property
    def state(self) -> str:
        return self.link.state.value

    def waits(self) -> bool:
        return self.link.buffered

    def blocks(self) -> list[BlockIn]:
        return [output for output in self.said if isinstance(output, BlockIn)]

    def missing(self) -> list[Missing]:
        return [output for output in self.said if isinstance(output, Missing)]

    def faults(self) -> list[str]:
        return [output.kind for output in self.said if isinstance(output, LinkFault)]

    def sessions(self) -> list[SessionUp]:
        return [output for output in self.said if isinstance(output, SessionUp)]

    def restarts(self) -> list[Restarted]:
        return [output for output in self.said if isinstance(output, Restarted)]

    def skipped(self) -> list[Skipped]:
        return [output for output in self.said if isinstance(output, Skipped)]

    def stretches(self) -> list[tuple[int, int]]:
        """Samples delivered or declared missing, [from, to), in the order the link said so."""
        found = []
        for output in self.said:
            if isinstance(output, BlockIn):
                found.append((output.index, output.index + output.count))
            elif isinstance(output, Missing):
                found.append((output.index_from, output.index_to))
        return found

    def assert_whole(self, first: int, end: int) -> None:
        """Delivered and missing samples together are the produced ones, in order, each once."""
        stretches = self.stretches()
        assert stretches, "nothing came"
        assert stretches[0][0] == first
        for (_, stop), (start, _) in pairwise(stretches):
            assert stop == start
        assert stretches[-1][1] == end
        ends = [output.record_no for output in self.said if isinstance(output, BlockIn | Skipped)]
        assert sorted(ends) == self.block_records, "every BLOCK record ends as one BlockIn or one Skipped"
