"""The link against the virtual device, which shares only the wire with it: the test pattern end to end."""

from dataclasses import dataclass, field

import numpy as np
import pytest

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
from nightturn.acquisition.tiler import Tiler
from nightturn.virtual.catalogue import from_spec
from nightturn_protocol import messages
from nightturn_protocol.framing import HEADER_BYTES, Deframer, to_wire
from nightturn_protocol.sheet import parse_sheet

MS = 1_000_000
RATE_HZ = 10_000
STEP_MS = 10
SETTINGS = LinkSettings(RATE_HZ * 1000, 100, 100, stream=messages.Stream.PATTERN.value)


@dataclass
class VirtualLine:
    """Bytes both ways in steps of 10 ms; a share of the bytes from the device is flipped."""

    spec: str
    flip: float = 0.0
    now_ns: int = 0
    record_no: int = 0
    block_records: list[int] = field(default_factory=list)
    said: list[Output] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.device = from_spec(self.spec).build(0)
        self.link = Link.start(SETTINGS, nonce=1)
        self.deframer = Deframer()
        self.rng = np.random.default_rng(3)
        self.up = False

    def carry(self, outputs: list[Output]) -> None:
        for output in outputs:
            if isinstance(output, SendFrame):
                self.device.receive(b"\0" + to_wire(output.body), self.now_ns)
            else:
                self.said.append(output)

    def reopen(self) -> None:
        self.carry(self.link.lost(self.now_ns))
        self.device.take_output()
        self.deframer = Deframer()
        self.carry(self.link.opened(self.now_ns))

    def step(self) -> None:
        """Ten milliseconds; a probe and a tick each hundred."""
        self.now_ns += STEP_MS * MS
        self.device.advance(self.now_ns)
        if self.device.line_up(self.now_ns) != self.up:
            self.up = not self.up
            self.reopen() if self.up else self.carry(self.link.lost(self.now_ns))
        data = np.frombuffer(self.device.take_output(), np.uint8).copy()
        data[self.rng.random(len(data)) < self.flip] ^= 0x10
        for body in self.deframer.receive_bytes(data.tobytes()):
            self.record_no += 1
            if body[1] == messages.Block.KIND:
                self.block_records.append(self.record_no)
            self.carry(self.link.frame(self.now_ns, self.record_no, body))
        self.carry(self.link.bad(self.now_ns, self.deframer.take_bad()[0]))
        if self.now_ns % (100 * MS) == 0:
            self.carry(self.link.tick(self.now_ns))
            if self.link.state.value == "running":
                self.carry([self.link.notice(messages.Probe(self.now_ns, 0, 0, self.now_ns // MS))])
            if self.link.wants_reopen:
                self.reopen()

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 1000 / STEP_MS)):
            self.step()

    def of(self, kind: type) -> list[Output]:
        return [output for output in self.said if isinstance(output, kind)]

    def assert_pattern(self) -> int:
        """Every sample is the pattern of its number; samples come in order, each gap is declared. Returns samples."""
        tiler = Tiler.start(1000, 100)
        wanted, samples, epoch, tiles = -1, 0, 0, []
        for output in self.said:
            if isinstance(output, Restarted):
                wanted, epoch = -1, epoch + 1
            elif isinstance(output, Missing):
                assert output.index_from == wanted or wanted < 0
                wanted = output.index_to
            elif isinstance(output, BlockIn):
                assert output.index == wanted or wanted < 0
                wanted = output.index + output.count
                tiles += tiler.add(output, epoch)
        for tile in tiles + tiler.flush():
            index = np.arange(tile.index, tile.end)
            low = index * 40503 & 0xFFFFFF
            assert np.array_equal(tile.raw, np.where(low >= 1 << 23, low - (1 << 24), low))
            assert np.array_equal(tile.encoder, index * 37)
            assert (tile.flags & messages.SampleFlag.TEST_PATTERN).all()
            samples += len(index)
        ends = [output.record_no for output in self.said if isinstance(output, BlockIn | Skipped)]
        assert sorted(ends) == self.block_records
        return samples


def test_a_quiet_line_brings_every_sample() -> None:
    line = VirtualLine("pan15?seed=7")
    line.run(5)
    (up,) = line.of(SessionUp)
    assert isinstance(up, SessionUp)
    sheet = parse_sheet(up.sheet)
    assert RATE_HZ in sheet.rates_hz
    assert "pattern" in sheet.features
    assert line.assert_pattern() >= 4.9 * RATE_HZ
    assert line.of(Missing) == []
    assert line.of(Skipped) == []


def test_flipped_bits_cost_frames_that_are_sent_again() -> None:
    line = VirtualLine("pan15?seed=7", flip=5e-5)
    line.run(10)
    assert line.deframer.bad > 10
    assert line.assert_pattern() >= 9.8 * RATE_HZ
    assert line.of(Missing) == []
    assert line.of(Restarted) == []


@pytest.mark.parametrize("seconds", [0.5, 0.9])
def test_a_short_outage_is_filled_from_the_ring(seconds: float) -> None:
    line = VirtualLine(f"pan15?seed=7&fault=outage@3s+{seconds:g}s")
    line.run(6)
    ups = [output for output in line.said if isinstance(output, SessionUp)]
    assert [up.resumed for up in ups] == [False, True]
    assert line.of(Missing) == []
    assert line.assert_pattern() >= 5.9 * RATE_HZ


def test_an_outage_longer_than_the_ring_is_one_gap() -> None:
    line = VirtualLine("pan15?seed=7&fault=outage@3s+4s")
    line.run(10)
    (gap,) = line.of(Missing)
    assert isinstance(gap, Missing)
    assert 2 * RATE_HZ < gap.index_to - gap.index_from < 4 * RATE_HZ
    assert line.assert_pattern() >= 6.5 * RATE_HZ
    assert len(line.of(SessionUp)) == 2


def test_a_reset_in_mid_stream_begins_a_new_boot() -> None:
    line = VirtualLine("pan15?seed=7&fault=reset@3s")
    line.run(8)
    (restart,) = line.of(Restarted)
    assert isinstance(restart, Restarted)
    assert restart.reset_cause == messages.ResetCause.WATCHDOG
    assert [up.new_boot for up in line.said if isinstance(up, SessionUp)] == [True, True]
    assert line.assert_pattern() >= 6 * RATE_HZ


def test_a_restarted_host_halts_the_old_stream_and_has_only_its_own() -> None:
    line = VirtualLine("pan15?seed=7")
    line.run(2)
    line.said.clear()
    line.block_records.clear()
    line.link = Link.start(SETTINGS, nonce=99)
    line.reopen()
    line.run(2)
    assert line.assert_pattern() >= 1.9 * RATE_HZ
    assert line.of(Missing) == []


def test_a_stranger_is_let_in_when_the_lease_of_the_session_before_has_ended() -> None:
    line = VirtualLine("pan15?seed=7")
    line.run(1)
    tick = line.device._firmware.tick
    line.carry([line.link.notice(messages.Lease(tick, 5.0, 5.0, 1000, 0))])
    assert line.device._firmware.lease.state is messages.LeaseState.LIVE
    line.said.clear()
    line.link = Link.start(SETTINGS, nonce=99)
    line.reopen()
    line.run(0.8)
    assert line.of(SessionUp) == []
    (fault,) = line.of(LinkFault)
    assert isinstance(fault, LinkFault)
    assert fault.kind == "refused"
    assert fault.detail == (
        "the motion lease of another session is still running on the device; OPEN is repeated until it has ended"
    )
    line.run(1.5)
    assert len(line.of(SessionUp)) == 1
    assert len(line.of(LinkFault)) == 1, "told once"


def test_an_open_names_the_minor_version_that_the_link_was_started_with() -> None:
    for minor in (0, messages.MINOR):
        link = Link.start(SETTINGS, nonce=1, minor=minor)
        (frame,) = [output for output in link.opened(0) if isinstance(output, SendFrame)]
        assert messages.Open.decode(frame.body[HEADER_BYTES:]).minor == minor
