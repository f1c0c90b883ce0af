"""The conversation with a device up to the running stream: states, OPEN, sheet, set-up, restarts."""

from typing import assert_never

import msgspec

from nightturn.acquisition import greeting
from nightturn.acquisition.control import ATTEMPT_WAITS_NS, FAR_NS, NS_PER_MS, ControlLane, Outstanding
from nightturn.acquisition.greeting import Memory
from nightturn.acquisition.outputs import LinkFault, Output, Reply, Restarted, SendFrame, SessionUp
from nightturn.acquisition.reassembly import DataLane
from nightturn.acquisition.states import TRANSITIONS, LinkEvent, LinkState
from nightturn.acquisition.watch import LineWatch
from nightturn_protocol import messages
from nightturn_protocol.errors import SheetError
from nightturn_protocol.framing import frame_body
from nightturn_protocol.messages import MINOR, Message

OPEN_EVERY_NS = 1_000 * NS_PER_MS


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


class Handshake(msgspec.Struct):
    """The state of the conversation; every change of it goes through `_move`."""

    settings: LinkSettings | None
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
    opening_valid: int = 0
    opening_echoed: int = 0
    opening_bad: int = 0
    told: list[str] = []
    status_seq: int = -1
    status_tick: int = -1
    silence_told: bool = False

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
            self.opening_valid, self.opening_bad = self._valid(), self.watch.bad
            self.opening_echoed = self.counters.echoed
            self.open_due_ns = at_ns
        else:  # a device that restarts or falls silent again and again is not stormed
            self.open_due_ns = max(at_ns, self.open_sent_ns + OPEN_EVERY_NS)

    def _serve_opening(self, at_ns: int, out: list[Output]) -> None:
        """Send OPEN: the first with three retries, then a new one each second."""
        if self.state != LinkState.OPENING or at_ns < self.open_due_ns:
            return
        retries = len(ATTEMPT_WAITS_NS)
        if self.open_attempt >= retries:
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

    def _valid(self) -> int:
        """Valid frames of a device, whatever their session."""
        return self.lane.frames + self.counters.foreign_session

    def _unanswered(self, out: list[Output]) -> None:
        if self._valid() == self.opening_valid:
            bad = self.watch.bad - self.opening_bad
            if self.counters.echoed > self.opening_echoed:
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
        self.open_due_ns = FAR_NS
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
        except SheetError as error:
            self._fault("sheet", f"the device sheet cannot be used: {error}", at_ns, out)
            return
        if whole:
            self._move(LinkEvent.SHEET_KNOWN, at_ns, out)
        else:
            self._ask_own(messages.Sheet(len(self.memory.sheet_parts)), at_ns, out)

    def _want_stream(self, at_ns: int, out: list[Output]) -> None:
        """A device that already runs as we set it up is left running; without settings the caller's are awaited."""
        if self.settings is None:
            return
        opened = self._opened()
        running = opened.state == messages.DeviceState.RUNNING
        if running and opened.config_epoch == self.memory.set_up_epoch:
            self._move(LinkEvent.STREAMING, at_ns, out)
        else:
            self._ask_own(messages.Halt() if running else self._setup_message(), at_ns, out)

    def _setup_message(self) -> messages.Setup:
        settings = self.settings
        assert settings is not None
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
        self.lane.start(self.memory.set_up_epoch, at_ns, out)

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
