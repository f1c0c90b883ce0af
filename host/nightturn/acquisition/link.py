"""The link to one device: handshake, control lane, data lane and what they say, as a function of stamped input.

Sans-IO: bodies of frames go in with the stamp of the read that completed them, outputs come out; `tick` is the
only clock. All state is in structs, so that a snapshot taken anywhere goes on alike.
"""

import struct

import msgspec

from nightturn.acquisition.blocks import KIND_AT, SAMPLE_BYTES, SAMPLES_AT
from nightturn.acquisition.control import FAR_NS, NS_PER_MS, ControlLane
from nightturn.acquisition.greeting import Memory
from nightturn.acquisition.handshake import Handshake, LinkSettings
from nightturn.acquisition.moment import LinkCounters, Moment
from nightturn.acquisition.outputs import (
    FOREIGN,
    BlockIn,
    DeviceEvent,
    Output,
    ProbedIn,
    Reply,
    SendFrame,
    Skipped,
    SlowIn,
    StatusIn,
)
from nightturn.acquisition.reassembly import TICKS_LATE, DataLane
from nightturn.acquisition.series import COUNT_MAX, Series
from nightturn.acquisition.states import LinkEvent, LinkState
from nightturn.acquisition.watch import LineWatch
from nightturn_protocol import messages
from nightturn_protocol.conversation import seq_add, seq_distance
from nightturn_protocol.errors import MalformedError
from nightturn_protocol.framing import HEADER, HEADER_BYTES, MUST_UNDERSTAND, VERSION_BYTE, frame_body
from nightturn_protocol.messages import BLOCK_HEADER, BY_KIND, MAJOR, Lane, Message, Probed, Slow, Status

__all__ = ["Link", "LinkSettings"]

EXTREMES, FIRMWARE, OUTPUTS = "extremes", "firmware", "outputs"  # optional features, as a sheet names them
_BLOCK_FRAME = struct.Struct(HEADER.format + BLOCK_HEADER.format[1:])
_BLOCK = messages.Block.KIND
# looked up in the class at every frame, they would cost more than the comparison
_OPENING, _DEAF = LinkState.OPENING, frozenset({LinkState.CLOSED, LinkState.FAULT})


def _output_of(body: bytes) -> int:
    return messages.Switch.decode(body[HEADER_BYTES:]).output


class Link(msgspec.Struct):
    """One device as seen through its frames: its parts, and who of them a frame is for.

    `due_ns` is when one of the parts has something to do; `notice_seq` numbers what is sent once.
    """

    handshake: Handshake
    control: ControlLane
    lane: DataLane
    watch: LineWatch
    counters: LinkCounters
    due_ns: int = FAR_NS
    notice_seq: int = 0

    @classmethod
    def start(
        cls,
        settings: LinkSettings | None,
        nonce: int,
        last_session: int = 0,
        last_boot_id: int = 0,
        minor: int = messages.MINOR,
    ) -> "Link":
        """A link that has not met its device; with the last session and boot of an earlier life it takes them up.

        Without settings it stops when it knows the device's sheet, until `set_up` says what the stream is to be.
        `nonce` should differ from start to start: session and request numbers begin at it, so that a device does
        not take a new host's request for a retry of the old one's. `minor` is the version of the wire that OPEN names.
        """
        link = cls(
            handshake=Handshake(None, nonce, minor, Memory(boot_id=last_boot_id, last_session=last_session)),
            control=ControlLane(next_seq=seq_add(nonce, 0)),
            lane=DataLane(Series(block_samples=0)),
            watch=LineWatch(),
            counters=LinkCounters(),
        )
        if settings is not None:
            link._use(settings)
        return link

    def _use(self, settings: LinkSettings) -> None:
        self.handshake.settings = settings
        self.lane.block_ns = settings.samples_per_block * 1_000_000_000_000 // settings.rate_millihz
        self.lane.series.block_samples = settings.samples_per_block
        self.lane.late_ns = round(TICKS_LATE * settings.status_ms * NS_PER_MS)

    def _now(self, at_ns: int) -> Moment:
        return Moment(at_ns, [], self.control, self.lane, self.watch, self.counters)

    @property
    def state(self) -> LinkState:
        """Where the conversation stands."""
        return self.handshake.state

    @property
    def settings(self) -> LinkSettings | None:
        """What the stream is set up as, None while that is left open."""
        return self.handshake.settings

    @property
    def wants_reopen(self) -> bool:
        """Whether the byte stream should be closed and opened anew."""
        return self.handshake.wants_reopen

    @property
    def wants_settings(self) -> bool:
        """Whether the sheet is known and the stream waits for `set_up`."""
        return self.state == LinkState.SETUP and self.settings is None

    @property
    def buffered(self) -> bool:
        """Whether blocks wait for an earlier one."""
        return bool(self.lane.waiting)

    @property
    def session(self) -> int:
        """The session in force, 0 before the first."""
        return self.lane.session

    @property
    def events_missing(self) -> bool:
        """Whether the device's events have a hole: one was seen, and not all before it."""
        memory = self.handshake.memory
        return memory.newest_event > memory.events_through

    @property
    def boot_id(self) -> int:
        """The boot last talked to, 0 before the first."""
        return self.handshake.memory.boot_id

    @property
    def newest_latched(self) -> int:
        """The number of the newest event of this boot that was seen and needs CLEAR, 0 when there was none."""
        return self.handshake.memory.newest_latched

    @property
    def sheet(self) -> bytes:
        """The device's sheet, empty before it is known."""
        return self.handshake.memory.sheet

    @property
    def features(self) -> tuple[str, ...]:
        """Optional features that the device's sheet names, none before it is known."""
        return self.handshake.memory.features

    # input

    def opened(self, at_ns: int) -> list[Output]:
        """The byte stream is open: begin the handshake."""
        now = self._now(at_ns)
        if self.state != LinkState.CLOSED:
            self.handshake.move(LinkEvent.LINE_LOST, now)
        self.handshake.move(LinkEvent.LINE_OPENED, now)
        return self._done(now)

    def set_up(self, settings: LinkSettings, at_ns: int) -> list[Output]:
        """Begin the stream that was left open at the start; good for every later session too."""
        now = self._now(at_ns)
        wanted = self.wants_settings
        self._use(settings)
        if wanted:
            self.handshake.want_stream(now)
        return self._done(now)

    def lost(self, at_ns: int) -> list[Output]:
        """The byte stream is lost; session and data sequence are remembered for taking them up again."""
        now = self._now(at_ns)
        self.handshake.move(LinkEvent.LINE_LOST, now)
        return self._done(now)

    def frame(self, at_ns: int, record_no: int, body: bytes) -> list[Output]:
        """A device frame; the first lines are the common case, the next block of the series."""
        lane = self.lane
        series = lane.series
        length = len(body)
        if length > SAMPLES_AT and body[KIND_AT] == _BLOCK and at_ns < self.due_ns:
            version, _, session, seq, index, tick, position, count, _, form, flags, epoch, inputs, _ = (
                _BLOCK_FRAME.unpack_from(body)
            )
            if (
                seq == series.expected
                and session == lane.fast_session
                and index == series.next_index
                and series.last_tick < tick < COUNT_MAX
                and length == SAMPLES_AT + count * SAMPLE_BYTES[form]
                and epoch == series.config_epoch
                and version == VERSION_BYTE
            ):
                series.expected = (seq + 1) & 0xFFFF_FFFF
                series.next_index = index + count
                series.last_tick = tick
                lane.frames += 1
                series.blocks += 1
                return [BlockIn(record_no, seq, index, tick, position, count, flags, inputs, body)]
        now = Moment(at_ns, [], self.control, lane, self.watch, self.counters)
        self._frame(record_no, body, now)
        if at_ns >= self.due_ns:
            self._serve(now)
        return self._done(now)

    def bad(self, at_ns: int, count: int) -> list[Output]:  # noqa: ARG002  every input is stamped
        """Bytes that were no frame."""
        self.watch.bad += count
        return []

    def tick(self, at_ns: int) -> list[Output]:
        """The control tick: retries, RESEND, giving up, silence and noise."""
        now = self._now(at_ns)
        self._serve(now)
        self.handshake.judge(now)
        return self._done(now)

    def reject(self, at_ns: int) -> None:
        """The fixture cannot use this device: fall silent until the line is opened anew."""
        self.handshake.move(LinkEvent.REJECTED, self._now(at_ns))
        self._set_due()

    # requests

    def request(self, message: Message, at_ns: int) -> tuple[int, SendFrame]:
        """Send a request on the control lane; its `Reply` comes as an output, None after the last retry."""
        request = self.control.send(message, self.lane.session, at_ns, own=False)
        if self.state != LinkState.RUNNING:
            request.withdraw(at_ns)
        self._set_due()
        return request.seq, SendFrame(request.body)

    def ask_firmware(self, at_ns: int) -> tuple[int, SendFrame] | None:
        """Ask for build, self-test and last crash; None when the sheet does not name `firmware`."""
        return self.request(messages.Firmware(), at_ns) if FIRMWARE in self.features else None

    def switch(
        self, output: messages.Output, at_ns: int, *, on: bool, expire_ms: int = 0
    ) -> tuple[int, SendFrame] | None:
        """Switch an output, on for `expire_ms` unless repeated; None when the sheet does not name `outputs`.

        Earlier requests for the same output that are still unanswered are repeated no more: a late one would undo this.
        """
        if OUTPUTS not in self.features:
            return None
        for waiting in self.control.waiting.values():
            if waiting.kind == messages.Switch.KIND and _output_of(waiting.body) == output:
                waiting.withdraw(at_ns)
        return self.request(messages.Switch(expire_ms if on else 0, output, int(on)), at_ns)

    def notice(self, message: Message) -> SendFrame:
        """Send once, best effort: lease, acknowledgement, probe."""
        if message.LANE == Lane.CONTROL:
            seq = self.control.take_seq()
        else:
            seq = self.notice_seq
            self.notice_seq = seq_add(seq, 1)
        return SendFrame(frame_body(message, self.lane.session, seq))

    def flush(self, at_ns: int) -> list[Output]:
        """Give every gap up and deliver what waits: the end of a run, or a cut that cannot wait."""
        now = self._now(at_ns)
        self.lane.flush(now.out)
        if self.lane.running:
            self.lane.settle(at_ns, now.out)
        return self._done(now)

    # frames

    def _frame(self, record_no: int, body: bytes, now: Moment) -> None:
        """A frame that is not simply the next block."""
        if len(body) < HEADER_BYTES:
            self.counters.malformed += 1
            return
        version, kind, session, seq = HEADER.unpack_from(body)
        if self.handshake.state in _DEAF and kind != _BLOCK:
            self.counters.ignored += 1
        elif version >> 4 != MAJOR:
            self._wrong_major(version >> 4, record_no if kind == _BLOCK else -1, now)
        elif kind == _BLOCK:
            self._block(record_no, session, seq, body, now)
        else:
            self._message(kind, session, seq, body, now)

    def _wrong_major(self, major: int, record_no: int, now: Moment) -> None:
        if record_no >= 0:
            now.out.append(Skipped(record_no, FOREIGN))
        if self.state not in {LinkState.CLOSED, LinkState.FAULT}:
            detail = f"the device uses major version {major} of the protocol, this host {MAJOR}"
            self.handshake.fault("wrong_major", detail, now)

    def _block(self, record_no: int, session: int, seq: int, body: bytes, now: Moment) -> None:
        lane = self.lane
        if session != lane.session or session == 0 or self.state == LinkState.FAULT:
            self.counters.foreign_session += 1
            now.out.append(Skipped(record_no, FOREIGN))
            return
        lane.frames += 1
        lane.block(now.at_ns, record_no, seq, body, now.out)

    def _message(self, kind: int, session: int, seq: int, body: bytes, now: Moment) -> None:
        known = BY_KIND.get(kind)
        if known is None:
            self.counters.unknown += 1
            self.counters.unknown_must += kind >= MUST_UNDERSTAND
            return
        if known.FROM_HOST:
            self.counters.echoed += 1
            return
        handshake = self.handshake
        try:
            message = known.decode(body[HEADER_BYTES:])
        except MalformedError as error:
            self.counters.malformed += 1
            detail = f"the device sends frames that do not fit their kind: {error}"
            handshake.tell_once("malformed", detail, now.out)
            return
        if handshake.state is _OPENING and seq == handshake.open_seq and handshake.open_answer(message, now):
            return
        if session != now.lane.session or session == 0:
            self.counters.foreign_session += 1
            return
        now.lane.frames += 1
        self._take(message, seq, now)

    def _take(self, message: Message, seq: int, now: Moment) -> None:
        match message:
            case Status():
                self._status(message, seq, now)
            case Slow():
                now.out.append(SlowIn(message))
            case Probed():
                now.out.append(ProbedIn(message, now.at_ns))
            case messages.Event():
                now.out.append(self.notice(messages.EventAck(message.event_no)))
                if self.handshake.memory.first_told(message):
                    now.out.append(DeviceEvent(message))
            case messages.Gone():
                self.lane.gone(now.at_ns, message.first_seq, message.count, now.out)
            case _:
                self._answer(message, seq, now)

    def _answer(self, message: Message, seq: int, now: Moment) -> None:
        """The end of a request, ours or the fixture's."""
        refused = isinstance(message, messages.Refused)
        request = self.control.answered(seq, message.KIND, refused, now.at_ns)
        self.lane.min_rtt_ns = self.control.min_rtt_ns
        if request is None:
            self.counters.unmatched_replies += 1
        elif not request.own:
            now.out.append(Reply(seq, request.kind, message))
        else:
            self.handshake.own_answer(request, message, now)

    def _status(self, status: messages.Status, seq: int, now: Moment) -> None:
        if self.handshake.goes_on(status, seq, now):
            now.out.append(StatusIn(status))
            overwritten = status.blocks_overwritten_unsent
            self.lane.status(now.at_ns, status.newest_seq, status.oldest_seq, overwritten, now.out)

    # timers

    def _serve(self, now: Moment) -> None:
        if self.control.waiting:
            self._serve_control(now)
        if self.handshake.state is _OPENING:
            self.handshake.serve(now)
        self.lane.serve(now.at_ns, now.out)

    def _serve_control(self, now: Moment) -> None:
        again, given_up = self.control.serve(now.at_ns)
        now.out.extend(SendFrame(body) for body in again)
        now.out.extend(Reply(request.seq, request.kind, None) for request in given_up if not request.own)
        if any(request.own for request in given_up):
            self.handshake.unanswered(now)

    def _after_lane(self, now: Moment) -> None:
        """Send the RESEND that the data lane wants; act on a restart that it saw."""
        lane = self.lane
        if lane.series.restarted:
            self.handshake.restart(self.boot_id, now)
        elif lane.ask_unsent and (ask := lane.ask) is not None:
            lane.ask_unsent = False
            now.out.append(self.notice(messages.Resend(ask.first, seq_distance(ask.first, ask.end))))

    def _set_due(self) -> None:
        lane, open_ns = self.lane, self.handshake.open_due_ns  # after every frame, so that each call counts
        due_ns = min(open_ns, lane.tail_due_ns if lane.fast_session >= 0 else lane.due_ns())
        self.due_ns = min(due_ns, self.control.due_ns()) if self.control.waiting else due_ns

    def _done(self, now: Moment) -> list[Output]:
        if self.lane.ask_unsent or self.lane.series.restarted:
            self._after_lane(now)
        self._set_due()
        return now.out
