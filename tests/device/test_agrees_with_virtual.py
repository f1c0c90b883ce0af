"""The C core and the Python virtual device get the same bytes at the same ticks and give the same answers.

They share the wire and nothing else, so each is a yardstick for the other. Identity and what the plant measures is left
out; the blocks of the test pattern are compared whole.
"""

import os
from dataclasses import dataclass, replace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.device.device import MS, Device

from nightturn.virtual.catalogue import from_spec
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, frame_body, pack_body, parse_header, parse_message, to_wire
from nightturn_protocol.messages import Axis, DriveMode, Output

ROUNDS = 15 if os.environ.get("NIGHTTURN_HARNESS") else 80
SESSIONS = (0x1234, 0x4321)
SLOWEST_PERIOD_MS = 10
PATTERN = int(wire.Stream.PATTERN)
UNSPOKEN = {wire.Status.KIND, wire.Slow.KIND, wire.Event.KIND}
OTHER_IN = {
    wire.Opened: {"firmware", "board", "torque_min", "torque_max"},
    wire.FirmwareReply: {"flash_crc", "config_hash", "build"},
    wire.ExtremesReply: {"min_tick", "max_tick", "torque_min", "torque_max"},
    wire.Block: {"inputs"},
}


@dataclass(frozen=True, slots=True)
class Step:
    """What the host sends, and how long it waits then; `what` is a message or the bytes of a body behind its session."""

    what: wire.Message | tuple[int, bytes]
    again: bool = False
    foreign: bool = False
    wait_ms: int = 0


class Both:
    """The two devices, told the same."""

    def __init__(self) -> None:
        virtual = from_spec("pan15?seed=7").build(0)
        self.firmware, self.control, self.outlet = virtual._firmware, virtual._control, virtual._outlet
        product = virtual.product
        self.firmware.ring.capacity = 8192  # as harness.mk builds the core's
        self.core = Device(
            boot_id=self.firmware.boot.boot_id,
            sheet=virtual._sheet,
            speed_max=product.speed_max_rad_s,
            torque_max=product.rated_torque_nm,
        )
        self.session = SESSIONS[0]
        self.seq = 0
        self.last = (b"", 0)
        self.sent: list[bytes] = []
        self.run(5)

    def run(self, ms: int) -> None:
        """The same time passes; the core's port is told what the virtual rig does.

        It goes on until a sample has shown what changed, because a board sees an input with its next sample.
        """
        changed = 0
        while ms > 0 or changed > 0:
            ms, changed = ms - 1, changed - 1
            before = self.firmware.cutter.inputs
            self.firmware.advance(self.core.now + MS)
            self.core.run(1)
            self._rig_to_core()  # what runs out with a sample is seen with the next one
            changed = SLOWEST_PERIOD_MS if self.firmware.cutter.inputs != before else changed
            self._take()

    def _rig_to_core(self) -> None:
        self.core["inputs"] = self.firmware.cutter.inputs
        self.core["moves_alone"] = self.firmware.rig.moving
        self.core["stands"] = not self.firmware.rig.moving

    def made(self, planned: Step | tuple[int, int, float]) -> Step:
        """The step with what only this moment knows: the boot in an OPEN, the tick in a LEASE."""
        if not isinstance(planned, Step):
            ago_ms, window_ms, limit = planned
            seen = max(0, self.core.now - ago_ms * MS)
            return Step(wire.Lease(seen, limit, limit, window_ms, 0), wait_ms=2)
        what = planned.what
        if isinstance(what, wire.Open) and what.last_boot_id:
            return replace(planned, what=replace(what, last_boot_id=self.firmware.boot.boot_id))
        return planned

    def tell(self, step: Step) -> None:
        """One frame to both."""
        session = self.session ^ 0x5555 if step.foreign else self.session
        if not step.again:
            self.seq += 1
            if isinstance(step.what, tuple):
                kind, payload = step.what
                self.last = (pack_body(kind, session, self.seq, payload), session)
            else:
                if isinstance(step.what, wire.Open):
                    session = step.what.session
                self.last = (frame_body(step.what, session, self.seq), session)
        before = self.firmware.cutter.inputs
        self.control.handle(self.last[0])
        self.core.receive(to_wire(self.last[0]))
        self._take()
        self._rig_to_core()
        if self.firmware.cutter.inputs != before:
            self.run(SLOWEST_PERIOD_MS)

    def _take(self) -> None:
        self.sent += [frame.body for frame in self.core.drain()]
        opened = [parse_header(body).session for body in self.sent if body[1] == wire.Opened.KIND]
        self.session = opened[-1] if opened else self.session

    def compare(self) -> None:
        """Answers, blocks and what both devices stand at are the same."""
        session = self.core["session"]
        theirs = spoken(Deframer().receive_bytes(self.outlet.take()), session)
        assert spoken(self.sent, session) == theirs
        self.sent.clear()
        assert self.core["session"] == self.firmware.session
        assert self.core["strays"] == self.control.strays
        assert self.core["lease_state"] == self.firmware.lease.state
        assert self.core["leases_refused"] == self.firmware.lease.refused
        assert self.core["driven"] == self.firmware.rig.driven()
        assert self.core["outputs"] == self.firmware.rig.output_word()
        assert self.core["next_index"] == self.firmware.sampler.next_index
        assert self.core["running"] == self.firmware.sampler.running
        ring = self.firmware.ring
        held = (ring.oldest_seq, ring.next_seq, ring.overwritten_unsent)
        assert tuple(self.core[n] for n in ("oldest_seq", "next_seq", "overwritten_unsent")) == held


def spoken(bodies: list[bytes], session: int) -> list[Any]:
    """Answers and blocks, without what differs by nature.

    Blocks stand behind answers, for their order is each device's own; whether the rest of a stream still goes out when
    its session ends is too.
    """
    answers: list[Any] = []
    blocks: list[Any] = []
    for body in bodies:
        header, message = parse_header(body), parse_message(body)
        assert message is not None
        if header.kind in UNSPOKEN or (header.kind == wire.Block.KIND and header.session != session):
            continue
        own = OTHER_IN.get(type(message), set())
        values = {name: getattr(message, name) for name in message.__slots__ if name not in own}
        seq = None if isinstance(message, wire.Gone) else header.seq
        (blocks if isinstance(message, wire.Block) else answers).append(
            (seq, header.session, type(message), values)
        )
    begun = any(kind is wire.Opened and not values["resumed"] for _, _, kind, values in answers)
    return answers if begun else answers + blocks


MESSAGES = st.one_of(
    st.builds(
        wire.Open,
        st.just(0),
        st.integers(1, 3),
        st.sampled_from([0, 1]),
        st.just(0),
        st.sampled_from([0, *SESSIONS]),
        st.sampled_from([0, *SESSIONS, *SESSIONS]),
        st.just(0),
        st.sampled_from([0, 0, 1]),
    ),
    st.builds(wire.Sheet, st.sampled_from([0, 100, 512, 600, 1 << 20])),
    st.builds(
        wire.Setup,
        st.sampled_from([100_000, 500_000, 1_000_000, 10_000_000, 1_000_001, 0]),
        st.sampled_from([9, 20, 50, 100, 120, 121]),
        st.sampled_from([9, 50, 1000, 10_001]),
        st.sampled_from([PATTERN, PATTERN, PATTERN, 2]),
        st.just(0),
    ),
    st.builds(wire.Run, st.sampled_from([0, 0, 300_000])),
    st.builds(wire.Halt),
    st.builds(wire.Probe, st.integers(0, 9), st.just(0), st.just(0), st.integers(0, 9)),
    st.builds(wire.EventAck, st.integers(0, 4)),
    st.builds(wire.Extremes, st.integers(0, 3)),
    st.builds(wire.Resend, st.integers(0, 60), st.integers(0, 30)),
    st.builds(
        wire.Drive,
        st.sampled_from([0, 500, -500]),
        st.sampled_from([1 << 40, 1 << 40, 1 << 40, 1, 0]),
        st.integers(0, 30),
        st.sampled_from([0.0, 0.5, -0.5, 14.0, -80.0, float("nan")]),
        st.sampled_from([0.0, 0.0, 1.0, -1.0, float("inf")]),
        st.sampled_from([0.0, 50.0, -1.0]),
        st.sampled_from([Axis.DRIVE, Axis.ACTUATOR, 2]),
        st.sampled_from([*DriveMode, 4]),
        st.just(0),
    ),
    st.sampled_from([wire.Clear(0), wire.Clear(3), wire.Clear(9999), wire.Firmware(), wire.Close()]),
    st.builds(
        wire.Switch,
        st.sampled_from([0, 30, 1000, 1001]),
        st.sampled_from([*Output, 4, 255]),
        st.integers(0, 1),
    ),
)
NOT_STRANGE = {
    wire.Open.KIND,
    wire.Resend.KIND,
    wire.Lease.KIND,
}  # well made elsewhere, or counted differently
KINDS = {message.KIND for message in wire.BY_KIND.values()} - NOT_STRANGE
STRANGE = st.tuples(
    st.sampled_from([*sorted(KINDS), 0x7E, 0xFE, 0x00, 0xFF]),
    st.binary(max_size=12) | st.binary(min_size=36, max_size=44),
)
LEASES = st.tuples(
    st.integers(-2, 600), st.sampled_from([0, 5, 100, 500, 1000, 1001]), st.sampled_from([0.3, 20.0, -1.0])
)
STEPS = st.builds(
    Step,
    st.one_of(MESSAGES, MESSAGES, MESSAGES, STRANGE),
    again=st.sampled_from([False] * 5 + [True]),
    foreign=st.sampled_from([False] * 9 + [True]),
    wait_ms=st.sampled_from([0, 0, 1, 20, 120]),
)


@given(st.lists(STEPS | LEASES, min_size=4, max_size=40), st.sampled_from([0, 3200]))
@settings(max_examples=ROUNDS)
def test_core_and_virtual_device_answer_alike(
    steps: list[Step | tuple[int, int, float]], silence_ms: int
) -> None:
    both = Both()
    opening: list[wire.Message] = [
        wire.Open(0, 9, 0, 0, 0, SESSIONS[0], 0, 1),
        wire.Setup(1_000_000, 20, 500, PATTERN, 0),
        wire.Run(0),
    ]
    script: list[Step | tuple[int, int, float]] = [Step(message) for message in opening]
    for number, planned in enumerate([*script, *steps]):
        step = both.made(planned)
        both.tell(step)
        wait_ms = silence_ms if number == 12 else step.wait_ms
        if wait_ms:
            both.run(wait_ms)
            both.compare()
    both.run(20)
    both.compare()
