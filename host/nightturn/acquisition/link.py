"""The link to one device: handshake, control lane, data lane and what they say, as a function of stamped input.

Sans-IO: bodies of frames go in with the stamp of the read that completed them, outputs come out; `tick` is the
only clock. All state is in structs, so that a snapshot taken anywhere goes on alike.
"""

import struct
from typing import assert_never

import msgspec

from nightturn.acquisition import greeting
from nightturn.acquisition.blocks import SAMPLE_BYTES, SAMPLES_AT
from nightturn.acquisition.control import ATTEMPT_WAITS_NS, FAR_NS, NS_PER_MS, ControlLane, Outstanding
from nightturn.acquisition.greeting import Memory
from nightturn.acquisition.outputs import (
    FOREIGN,
    BlockIn,
    DeviceEvent,
    LinkFault,
    Output,
    ProbedIn,
    Reply,
    Restarted,
    SendFrame,
    SessionUp,
    Skipped,
    SlowIn,
    StatusIn,
)
from nightturn.acquisition.reassembly import DataLane
from nightturn.acquisition.states import TRANSITIONS, LinkEvent, LinkState
from nightturn.acquisition.watch import LineWatch
from nightturn.errors import DeviceMismatchError
from nightturn_protocol import messages
from nightturn_protocol.conversation import seq_add, seq_distance
from nightturn_protocol.errors import MalformedError
from nightturn_protocol.framing import HEADER, HEADER_BYTES, MUST_UNDERSTAND, VERSION_BYTE, frame_body
from nightturn_protocol.messages import BLOCK_HEADER, BY_KIND, MAJOR, MINOR, Lane, Message

OPEN_EVERY_NS = 1_000 * NS_PER_MS
REOPEN_NS = 10_000 * NS_PER_MS
NOTICE_REORDER_MAX = 64  # a STATUS this far behind in its lane is not late, its sender has begun anew

_BLOCK_FRAME = struct.Struct(HEADER.format + BLOCK_HEADER.format[1:])
_BLOCK = messages.Block.KIND


class LinkSettings(msgspec.Struct, frozen=True):
    """What the stream is to be set up as; `hold_ms` bounds how long a gap may hold up the blocks behind it."""

    rate_millihz: int
    samples_per_block: int
    status_ms: int
    stream: int = messages.Stream.BRIDGE.value
    hold_ms: int = 250


class LinkCounters(msgspec.Struct):
    """Lifetime counts of what was not simply right."""

    malformed: int = 0
    unknown: int = 0
    unknown_must: int = 0
    foreign_session: int = 0
    echoed: int = 0
    ignored: int = 0
    unmatched_replies: int = 0
    restarts: int = 0
    opens: int = 0


class Link(msgspec.Struct):
    """One device as seen through its frames."""

    settings: LinkSettings
    nonce: int
    control: ControlLane
    lane: DataLane
    memory: Memory
    watch: LineWatch
    counters: LinkCounters
    state: LinkState = LinkState.CLOSED
    due_ns: int = FAR_NS
    notice_seq: int = 0
    wants_reopen: bool = False
    new_boot: bool = True
    resumed: bool = False
    opened_payload: bytes = b""
    open_seq: int = 0
    open_body: bytes = b""
    open_attempt: int = 0
    open_sent_ns: int = -OPEN_EVERY_NS
    open_due_ns: int = FAR_NS
    opening_from_ns: int = 0
    opening_frames: int = 0
    opening_bad: int = 0
    told: list[str] = []
    status_seq: int = -1
    status_tick: int = -1
    silence_told: bool = False

    @classmethod
    def start(
        cls, settings: LinkSettings, nonce: int, last_session: int = 0, last_boot_id: int = 0
    ) -> "Link":
        """A link that has not met its device; with the last session and boot of an earlier life it takes them up.

        `nonce` should differ from start to start: session and request numbers begin at it, so that a device does
        not take a new host's request for a retry of the old one's.
        """
        block_ns = settings.samples_per_block * 1_000_000_000_000 // settings.rate_millihz
        return cls(
            settings=settings,
            nonce=nonce,
            control=ControlLane(next_seq=seq_add(nonce, 0)),
            lane=DataLane(stream=settings.stream, hold_ns=settings.hold_ms * NS_PER_MS, block_ns=block_ns),
            memory=Memory(boot_id=last_boot_id, last_session=last_session),
            watch=LineWatch(),
            counters=LinkCounters(),
        )

    @property
    def buffered(self) -> bool:
        """Whether blocks wait for an earlier one."""
        return bool(self.lane.waiting)

    @property
    def session(self) -> int:
        """The session in force, 0 before the first."""
        return self.lane.session

    @property
    def boot_id(self) -> int:
        """The boot last talked to, 0 before the first."""
        return self.memory.boot_id

    # input

    def opened(self, at_ns: int) -> list[Output]:
        """The byte stream is open: begin the handshake."""
        out: list[Output] = []
        if self.state != LinkState.CLOSED:
            self._move(LinkEvent.LINE_LOST, at_ns, out)
        self._move(LinkEvent.LINE_OPENED, at_ns, out)
        return self._done(out)

    def lost(self, at_ns: int) -> list[Output]:
        """The byte stream is lost; session and data sequence are remembered for taking them up again."""
        out: list[Output] = []
        self._move(LinkEvent.LINE_LOST, at_ns, out)
        return self._done(out)

    def frame(self, at_ns: int, record_no: int, body: bytes) -> list[Output]:
        """A device frame; the first lines are the common case, the next block of the series."""
        lane = self.lane
        length = len(body)
        if length > SAMPLES_AT and at_ns < self.due_ns:
            version, kind, session, seq, index, tick, _, count, stream, form, flags, _, inputs, _ = (
                _BLOCK_FRAME.unpack_from(body)
            )
            if (
                seq == lane.expected
                and kind == _BLOCK
                and session == lane.fast_session
                and index == lane.next_index
                and tick > lane.last_tick
                and length == SAMPLES_AT + count * SAMPLE_BYTES[form]
                and stream == lane.stream
                and version == VERSION_BYTE
            ):
                lane.expected = seq_add(seq, 1)
                lane.next_index = index + count
                lane.last_tick = tick
                lane.frames += 1
                lane.blocks += 1
                return [BlockIn(record_no, seq, index, tick, count, flags, inputs, body)]
        out: list[Output] = []
        self._frame(at_ns, record_no, body, out)
        if at_ns >= self.due_ns:
            self._serve(at_ns, out)
        return self._done(out)

    def bad(self, at_ns: int, count: int) -> list[Output]:  # noqa: ARG002  every input is stamped
        """Bytes that were no frame."""
        self.watch.bad += count
        return []

    def tick(self, at_ns: int) -> list[Output]:
        """The control tick: retries, RESEND, giving up, silence and noise."""
        out: list[Output] = []
        self._serve(at_ns, out)
        if self.state == LinkState.RUNNING:
            trouble = self.watch.judge(at_ns, self.lane.frames)
            if trouble is not None and not self.wants_reopen:
                self.wants_reopen = True
                out.append(LinkFault(*trouble))
        elif self.state == LinkState.OPENING and at_ns - self.opening_from_ns >= REOPEN_NS:
            self.wants_reopen = True
        return self._done(out)

    # requests

    def request(self, message: Message, at_ns: int) -> tuple[int, SendFrame]:
        """Send a request on the control lane; its `Reply` comes as an output, None after the last retry."""
        request = self.control.send(message, self.lane.session, at_ns, own=False)
        if self.state != LinkState.RUNNING:
            request.due_ns = at_ns
            request.attempt = len(ATTEMPT_WAITS_NS)
        self._set_due()
        return request.seq, SendFrame(request.body)

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
        out: list[Output] = []
        self.lane.flush(out)
        if self.lane.running:
            self.lane.settle(at_ns, out)
        return self._done(out)

    # the one funnel of states

    def _move(self, event: LinkEvent, at_ns: int, out: list[Output]) -> None:
        target = TRANSITIONS.get((self.state, event))
        if target is None:
            return
        self.state = target
        match target:
            case LinkState.CLOSED | LinkState.FAULT:
                self._rest(out)
            case LinkState.OPENING:
                self._rest(out)
                self._begin_opening(event, at_ns)
                self._serve_opening(at_ns, out)
            case LinkState.SHEET:
                self._want_sheet(at_ns, out)
            case LinkState.SETUP:
                self._want_stream(at_ns, out)
            case LinkState.RUNNING:
                self._run(at_ns, out)
            case _:
                assert_never(target)

    def _rest(self, out: list[Output]) -> None:
        """No conversation: the data lane waits, requests end unanswered."""
        self.lane.stop()
        self.open_due_ns = FAR_NS
        given_up = [request for request in self.control.abandon() if not request.own]
        out.extend(Reply(request.seq, request.kind, None) for request in given_up)

    def _fault(self, kind: str, detail: str, at_ns: int, out: list[Output]) -> None:
        """The device cannot be used as it is: say so and fall silent until the line is opened anew."""
        out.append(LinkFault(kind, detail))
        self._move(LinkEvent.REJECTED, at_ns, out)

    def _tell_once(self, kind: str, detail: str, out: list[Output]) -> None:
        """A fault that goes on: told once for each opening of the line."""
        if kind not in self.told:
            self.told.append(kind)
            out.append(LinkFault(kind, detail))

    # opening

    def _begin_opening(self, event: LinkEvent, at_ns: int) -> None:
        self.open_attempt = 0
        self.open_body = b""
        self.status_seq = self.status_tick = -1
        if event == LinkEvent.LINE_OPENED:
            self.wants_reopen = False
            self.told.clear()
            self.opening_from_ns = at_ns
            self.opening_frames, self.opening_bad = self.lane.frames, self.watch.bad
            self.open_due_ns = at_ns
        else:  # a device that restarts or falls silent again and again is not stormed
            self.open_due_ns = max(at_ns, self.open_sent_ns + OPEN_EVERY_NS)

    def _serve_opening(self, at_ns: int, out: list[Output]) -> None:
        """Send OPEN: the first with three retries, then a new one each second."""
        if self.state != LinkState.OPENING or at_ns < self.open_due_ns:
            return
        retries = len(ATTEMPT_WAITS_NS)
        if self.open_attempt == retries:
            self._unanswered(out)
        if not self.open_body or self.open_attempt >= retries:
            self.counters.opens += 1
            self.open_seq = self.control.take_seq()
            wanted = greeting.next_session(self.nonce, self.counters.opens, self.memory.last_session)
            self.open_body = frame_body(self._open_message(wanted), wanted, self.open_seq)
            self.open_sent_ns = at_ns
        wait_ns = ATTEMPT_WAITS_NS[self.open_attempt] if self.open_attempt < retries else OPEN_EVERY_NS
        self.open_due_ns = at_ns + wait_ns
        self.open_attempt += 1
        out.append(SendFrame(self.open_body))

    def _open_message(self, wanted: int) -> messages.Open:
        memory = self.memory
        return messages.Open(
            want_digest=memory.sheet_digest,
            host_nonce=self.nonce & 0xFFFF_FFFF,
            last_boot_id=memory.boot_id,
            next_data_seq=self.lane.expected,
            last_session=memory.last_session,
            session=wanted,
            minor=MINOR,
            fresh=0 if memory.last_session else 1,
        )

    def _unanswered(self, out: list[Output]) -> None:
        if self.lane.frames == self.opening_frames:
            bad = self.watch.bad - self.opening_bad
            if self.counters.echoed:
                self._tell_once("foreign", "our own frames come back: a loop or an echo, not a device", out)
                return
            if bad:
                detail = (
                    f"{bad} pieces of bytes came but no valid frame: noise, or another protocol or bit rate"
                )
                self._tell_once("foreign", detail, out)
                return
        self._tell_once("no_answer", "the device does not answer OPEN", out)

    def _greeted(self, opened: messages.Opened, at_ns: int, out: list[Output]) -> None:
        """OPENED: the same boot goes on, or everything begins anew."""
        memory = self.memory
        if opened.session == 0:
            self._fault("malformed", "the device opened session 0", at_ns, out)
            return
        if self.open_attempt == 1:
            self.control.round_trip(at_ns - self.open_sent_ns)
        cause = greeting.restart_cause(memory, opened)
        if cause is not None:
            self._forget_boot(opened.boot_id, cause, out)
        self.new_boot = self.new_boot or memory.boot_id == 0
        memory.boot_id = opened.boot_id
        memory.uptime_tick = opened.uptime_tick
        self.resumed = bool(opened.resumed) and opened.session == self.lane.session and not self.new_boot
        if not self.resumed:
            self.lane.begin(opened.session, opened.next_seq, opened.next_index, out)
        memory.last_session = opened.session
        self.opened_payload = opened.encode()
        self._move(LinkEvent.GREETED, at_ns, out)

    # sheet, set-up, stream

    def _opened(self) -> messages.Opened:
        return messages.Opened.decode(self.opened_payload)

    def _want_sheet(self, at_ns: int, out: list[Output]) -> None:
        self.memory.begin_sheet()
        if self.memory.has_sheet(self._opened().digest):
            self._move(LinkEvent.SHEET_KNOWN, at_ns, out)
        else:
            self._ask_own(messages.Sheet(0), at_ns, out)

    def _ask_own(self, message: Message, at_ns: int, out: list[Output]) -> None:
        out.append(SendFrame(self.control.send(message, self.lane.session, at_ns, own=True).body))

    def _sheet_part(self, part: messages.SheetPart, at_ns: int, out: list[Output]) -> None:
        try:
            whole = self.memory.add_sheet_part(part, self._opened().digest)
        except DeviceMismatchError as error:
            self._fault("sheet", str(error), at_ns, out)
            return
        if whole:
            self._move(LinkEvent.SHEET_KNOWN, at_ns, out)
        else:
            self._ask_own(messages.Sheet(len(self.memory.sheet_parts)), at_ns, out)

    def _want_stream(self, at_ns: int, out: list[Output]) -> None:
        """A device that already runs as we set it up is left running."""
        opened = self._opened()
        running = opened.state == messages.DeviceState.RUNNING
        if running and opened.config_epoch == self.memory.set_up_epoch:
            self._move(LinkEvent.STREAMING, at_ns, out)
        else:
            self._ask_own(messages.Halt() if running else self._setup_message(), at_ns, out)

    def _setup_message(self) -> messages.Setup:
        settings = self.settings
        return messages.Setup(
            rate_millihz=settings.rate_millihz,
            samples_per_block=settings.samples_per_block,
            status_ms=settings.status_ms,
            stream=settings.stream,
            reserved=0,
        )

    def _set_up(self, reply: messages.SetupReply, at_ns: int, out: list[Output]) -> None:
        difference = greeting.set_up_difference(self._setup_message(), reply)
        if difference is not None:
            self._fault("refused", difference, at_ns, out)
            return
        self.memory.set_up_epoch = reply.config_epoch
        self._ask_own(messages.Run(0), at_ns, out)

    def _run(self, at_ns: int, out: list[Output]) -> None:
        opened = self._opened()
        out.append(SessionUp(opened, self.memory.sheet, self.new_boot, self.resumed))
        self.new_boot = False
        self.watch.restart(at_ns, self.lane.frames)
        if self.resumed:
            self.lane.resume(opened.oldest_seq, opened.next_seq, at_ns, out)
        self.lane.start(at_ns, out)

    # frames

    def _frame(self, at_ns: int, record_no: int, body: bytes, out: list[Output]) -> None:
        """A frame that is not simply the next block."""
        if len(body) < HEADER_BYTES:
            self.counters.malformed += 1
            return
        version, kind, session, seq = HEADER.unpack_from(body)
        if self.state in {LinkState.CLOSED, LinkState.FAULT} and kind != _BLOCK:
            self.counters.ignored += 1
        elif version >> 4 != MAJOR:
            self._wrong_major(version >> 4, record_no if kind == _BLOCK else -1, at_ns, out)
        elif kind == _BLOCK:
            self._block(at_ns, record_no, session, seq, body, out)
        else:
            self._message(at_ns, kind, session, seq, body, out)

    def _wrong_major(self, major: int, record_no: int, at_ns: int, out: list[Output]) -> None:
        if record_no >= 0:
            out.append(Skipped(record_no, FOREIGN))
        if self.state not in {LinkState.CLOSED, LinkState.FAULT}:
            detail = f"the device speaks major version {major} of the wire, this host speaks {MAJOR}"
            self._fault("wrong_major", detail, at_ns, out)

    def _block(
        self, at_ns: int, record_no: int, session: int, seq: int, body: bytes, out: list[Output]
    ) -> None:
        lane = self.lane
        if session != lane.session or session == 0 or self.state == LinkState.FAULT:
            self.counters.foreign_session += 1
            out.append(Skipped(record_no, FOREIGN))
            return
        lane.frames += 1
        lane.block(at_ns, record_no, seq, body, out)
        self._after_lane(at_ns, out)

    def _after_lane(self, at_ns: int, out: list[Output]) -> None:
        """Send the RESEND that the data lane wants; act on a restart that it saw."""
        lane = self.lane
        if lane.restarted:
            self._restart(self.memory.boot_id, at_ns, out)
        elif lane.ask_unsent and lane.ask is not None:
            lane.ask_unsent = False
            ask = lane.ask
            out.append(self.notice(messages.Resend(ask.first, seq_distance(ask.first, ask.end))))

    def _message(self, at_ns: int, kind: int, session: int, seq: int, body: bytes, out: list[Output]) -> None:
        known = BY_KIND.get(kind)
        if known is None:
            self.counters.unknown += 1
            self.counters.unknown_must += kind >= MUST_UNDERSTAND
            return
        if known.FROM_HOST:
            self.counters.echoed += 1
            return
        try:
            message = known.decode(body[HEADER_BYTES:])
        except MalformedError as error:
            self.counters.malformed += 1
            self._tell_once("malformed", f"the device sends frames that do not fit their kind: {error}", out)
            return
        self.lane.frames += 1
        if (
            self.state == LinkState.OPENING
            and seq == self.open_seq
            and self._open_answer(message, at_ns, out)
        ):
            return
        if session != self.lane.session or session == 0:
            self.counters.foreign_session += 1
            return
        self._take(message, seq, at_ns, out)

    def _open_answer(self, message: Message, at_ns: int, out: list[Output]) -> bool:
        """Whether this was the answer to our OPEN."""
        match message:
            case messages.Opened():
                self._greeted(message, at_ns, out)
                return True
            case messages.Refused():
                self._refused(message, at_ns, out)
                return True
            case _:
                return False

    def _take(self, message: Message, seq: int, at_ns: int, out: list[Output]) -> None:
        match message:
            case messages.Status():
                self._status(message, seq, at_ns, out)
            case messages.Slow():
                out.append(SlowIn(message))
            case messages.Event():
                out.append(self.notice(messages.EventAck(message.event_no)))
                if self.memory.first_told(message.event_no):
                    out.append(DeviceEvent(message))
            case messages.Probed():
                out.append(ProbedIn(message, at_ns))
            case messages.Gone():
                self.lane.gone(at_ns, message.first_seq, message.count, out)
                self._after_lane(at_ns, out)
            case _:
                self._answer(message, seq, at_ns, out)

    def _answer(self, message: Message, seq: int, at_ns: int, out: list[Output]) -> None:
        """The end of a request, ours or the fixture's."""
        refused = isinstance(message, messages.Refused)
        request = self.control.answered(seq, message.KIND, refused, at_ns)
        self.lane.min_rtt_ns = self.control.min_rtt_ns
        if request is None:
            self.counters.unmatched_replies += 1
        elif not request.own:
            out.append(Reply(seq, request.kind, message))
        else:
            self._own_answer(request, message, at_ns, out)

    def _own_answer(self, request: Outstanding, message: Message, at_ns: int, out: list[Output]) -> None:
        match message:
            case messages.Refused():
                self._refused(message, at_ns, out)
            case messages.SheetPart():
                self._sheet_part(message, at_ns, out)
            case messages.SetupReply():
                self._set_up(message, at_ns, out)
            case messages.Done() if request.kind == messages.Halt.KIND:
                self._ask_own(self._setup_message(), at_ns, out)
            case _:
                self._move(LinkEvent.STREAMING, at_ns, out)

    def _refused(self, refused: messages.Refused, at_ns: int, out: list[Output]) -> None:
        """A refusal of the moment is tried again, any other ends the handshake."""
        if refused.reason == messages.Reason.NOT_NOW:
            self._tell_once("refused", greeting.refusal(refused), out)
            self._move(LinkEvent.UNANSWERED, at_ns, out)
        else:
            self._fault("refused", greeting.refusal(refused), at_ns, out)

    def _status(self, status: messages.Status, seq: int, at_ns: int, out: list[Output]) -> None:
        behind = -1 if self.status_seq < 0 else seq_distance(seq, self.status_seq)
        if status.boot_id != self.memory.boot_id:
            self._restart(status.boot_id, at_ns, out)
            return
        if not 0 <= behind <= NOTICE_REORDER_MAX:
            if status.tick < self.status_tick:
                self._restart(status.boot_id, at_ns, out)
                return
            self.status_seq, self.status_tick = seq, status.tick
        out.append(StatusIn(status))
        overwritten = status.blocks_overwritten_unsent
        self.lane.status(at_ns, status.newest_seq, status.oldest_seq, overwritten, out)
        self._after_lane(at_ns, out)

    # restarts

    def _restart(self, boot_id: int, at_ns: int, out: list[Output]) -> None:
        """The device was seen to have restarted while we talked to it."""
        self._forget_boot(boot_id, messages.ResetCause.UNKNOWN.value, out)
        self._move(LinkEvent.RESTARTED, at_ns, out)

    def _forget_boot(self, boot_id: int, cause: int, out: list[Output]) -> None:
        self.lane.flush(out)
        out.append(Restarted(boot_id, cause))
        self.counters.restarts += 1
        self.lane.forget_boot()
        self.memory.forget_boot()
        self.memory.boot_id = boot_id
        self.new_boot = True

    # timers

    def _serve(self, at_ns: int, out: list[Output]) -> None:
        again, given_up = self.control.serve(at_ns)
        out.extend(SendFrame(body) for body in again)
        own_given_up = False
        for request in given_up:
            own_given_up = own_given_up or request.own
            if not request.own:
                out.append(Reply(request.seq, request.kind, None))
        if own_given_up:
            self._tell_once("no_answer", "the device stopped answering in the middle of the handshake", out)
            self._move(LinkEvent.UNANSWERED, at_ns, out)
        self._serve_opening(at_ns, out)
        self.lane.serve(at_ns, out)
        self._after_lane(at_ns, out)

    def _set_due(self) -> None:
        self.due_ns = min(self.control.due_ns(), self.lane.due_ns(), self.open_due_ns)

    def _done(self, out: list[Output]) -> list[Output]:
        self._set_due()
        return out
