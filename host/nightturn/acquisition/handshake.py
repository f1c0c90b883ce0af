"""The conversation with a device up to the running stream: states, OPEN, sheet, set-up, restarts."""

from typing import assert_never

import msgspec

from nightturn.acquisition import greeting
from nightturn.acquisition.control import ATTEMPT_WAITS_NS, FAR_NS, NS_PER_MS, Outstanding
from nightturn.acquisition.greeting import Memory
from nightturn.acquisition.moment import Moment
from nightturn.acquisition.outputs import LinkFault, Output, Reply, Restarted, SendFrame, SessionUp
from nightturn.acquisition.states import TRANSITIONS, LinkEvent, LinkState
from nightturn_protocol import messages
from nightturn_protocol.conversation import seq_distance
from nightturn_protocol.errors import SheetError
from nightturn_protocol.framing import frame_body
from nightturn_protocol.messages import Message

OPEN_EVERY_NS = 1_000 * NS_PER_MS
REOPEN_NS = 10_000 * NS_PER_MS
NOTICE_REORDER_MAX = 64  # a STATUS this far behind in its lane is not late, its sender has begun anew


class LinkSettings(msgspec.Struct, frozen=True):
    """What the stream is to be set up as."""

    rate_millihz: int
    samples_per_block: int
    status_ms: int
    stream: int = messages.Stream.BRIDGE.value


_RUNNING = LinkState.RUNNING  # a look-up in the class costs more than the comparison


class Handshake(msgspec.Struct):
    """Where the conversation stands; every change of `state` goes through `move`."""

    settings: LinkSettings | None
    nonce: int
    minor: int
    memory: Memory
    state: LinkState = LinkState.CLOSED
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

    # the one funnel of states

    def move(self, event: LinkEvent, now: Moment) -> None:
        """Something happened: the next state by the table, and what belongs to entering it."""
        target = TRANSITIONS.get((self.state, event))
        if target is None:
            return
        self.state = target
        match target:
            case LinkState.CLOSED | LinkState.FAULT:
                self._rest(now)
            case LinkState.OPENING:
                self._rest(now)
                self._begin_opening(event, now)
                self.serve(now)
            case LinkState.SHEET:
                self._want_sheet(now)
            case LinkState.SETUP:
                self.want_stream(now)
            case LinkState.RUNNING:
                self._run(now)
            case _:
                assert_never(target)

    def _rest(self, now: Moment) -> None:
        """No conversation: the data lane waits, requests end unanswered."""
        now.lane.stop()
        self.open_due_ns = FAR_NS
        given_up = [request for request in now.control.abandon() if not request.own]
        now.out.extend(Reply(request.seq, request.kind, None) for request in given_up)

    def fault(self, kind: str, detail: str, now: Moment) -> None:
        """The device cannot be used as it is: say so and fall silent until the line is opened anew."""
        now.out.append(LinkFault(kind, detail))
        self.move(LinkEvent.REJECTED, now)

    def tell_once(self, kind: str, detail: str, out: list[Output]) -> None:
        """A fault that goes on: told once for each opening of the line."""
        if kind not in self.told:
            self.told.append(kind)
            out.append(LinkFault(kind, detail))

    # opening

    def _begin_opening(self, event: LinkEvent, now: Moment) -> None:
        at_ns = now.at_ns
        self.open_attempt = 0
        self.open_body = b""
        self.status_seq = self.status_tick = -1
        if event == LinkEvent.LINE_OPENED:
            self.wants_reopen = False
            self.told.clear()
            self.opening_from_ns = at_ns
            self.opening_valid, self.opening_bad = now.valid_frames, now.watch.bad
            self.opening_echoed = now.counters.echoed
            self.open_due_ns = at_ns
        else:  # a device that restarts or falls silent again and again is not stormed
            self.open_due_ns = max(at_ns, self.open_sent_ns + OPEN_EVERY_NS)

    def serve(self, now: Moment) -> None:
        """Send OPEN while opening: the first with three retries, then a new one each second."""
        at_ns = now.at_ns
        if self.state != LinkState.OPENING or at_ns < self.open_due_ns:
            return
        retries = len(ATTEMPT_WAITS_NS)
        if self.open_attempt >= retries:
            self._unanswered(now)
        if not self.open_body or self.open_attempt >= retries:
            now.counters.opens += 1
            self.open_seq = now.control.take_seq()
            wanted = greeting.next_session(self.nonce, now.counters.opens, self.memory.last_session)
            message = self._open_message(wanted, now.lane.series.expected)
            self.open_body = frame_body(message, wanted, self.open_seq)
            self.open_sent_ns = at_ns
        wait_ns = ATTEMPT_WAITS_NS[self.open_attempt] if self.open_attempt < retries else OPEN_EVERY_NS
        self.open_due_ns = at_ns + wait_ns
        self.open_attempt += 1
        now.out.append(SendFrame(self.open_body))

    def _open_message(self, wanted: int, next_data_seq: int) -> messages.Open:
        memory = self.memory
        return messages.Open(
            want_digest=memory.sheet_digest,
            host_nonce=self.nonce & 0xFFFF_FFFF,
            last_boot_id=memory.boot_id,
            next_data_seq=next_data_seq,
            last_session=memory.last_session,
            session=wanted,
            minor=self.minor,
            fresh=0 if memory.last_session else 1,
        )

    def _unanswered(self, now: Moment) -> None:
        if "refused" in self.told:  # it has answered, and is asked again
            return
        if now.valid_frames == self.opening_valid:
            bad = now.watch.bad - self.opening_bad
            if now.counters.echoed > self.opening_echoed:
                detail = "our own frames come back: the line is looped or echoes; no device answers"
                self.tell_once("foreign", detail, now.out)
                return
            if bad:
                detail = f"{bad} reads of bytes arrived but no valid frame: noise, another protocol or another bit rate"
                self.tell_once("foreign", detail, now.out)
                return
        self.tell_once("no_answer", "the device does not answer OPEN", now.out)

    def judge(self, now: Moment) -> None:
        """At a control tick: whether the line has to be opened anew."""
        if self.state is _RUNNING:
            trouble = now.watch.judge(now.at_ns, now.lane.frames)
            if trouble is not None and not self.wants_reopen:
                self.wants_reopen = True
                now.out.append(LinkFault(*trouble))
        elif self.state == LinkState.OPENING and now.at_ns - self.opening_from_ns >= REOPEN_NS:
            self.wants_reopen = True

    def open_answer(self, message: Message, now: Moment) -> bool:
        """Whether this was the answer to our OPEN."""
        match message:
            case messages.Opened():
                self._greeted(message, now)
                return True
            case messages.Refused():
                self._refused(message, now)
                return True
            case _:
                return False

    def _greeted(self, opened: messages.Opened, now: Moment) -> None:
        """OPENED: the same boot goes on, or everything begins anew."""
        memory = self.memory
        if opened.session == 0:
            self.fault("malformed", "the device opened session 0", now)
            return
        self.open_due_ns = FAR_NS
        if self.open_attempt == 1:
            now.control.round_trip(now.at_ns - self.open_sent_ns)
        cause = greeting.restart_cause(memory, opened)
        if cause is not None:
            self._forget_boot(opened.boot_id, cause, now)
        self.new_boot = self.new_boot or memory.boot_id == 0
        memory.boot_id = opened.boot_id
        memory.uptime_tick = opened.uptime_tick
        self.resumed = bool(opened.resumed) and opened.session == now.lane.session and not self.new_boot
        if not self.resumed:
            now.lane.begin(opened.session, opened.next_seq, opened.next_index, now.out)
        memory.last_session = opened.session
        self.opened_payload = opened.encode()
        self.move(LinkEvent.GREETED, now)

    # sheet, set-up, stream

    def _opened(self) -> messages.Opened:
        return messages.Opened.decode(self.opened_payload)

    def _want_sheet(self, now: Moment) -> None:
        self.memory.begin_sheet()
        if self.memory.has_sheet(self._opened().digest):
            self.move(LinkEvent.SHEET_KNOWN, now)
        else:
            self._ask(messages.Sheet(0), now)

    def _ask(self, message: Message, now: Moment) -> None:
        """A request of the handshake's own."""
        now.out.append(SendFrame(now.control.send(message, now.lane.session, now.at_ns, own=True).body))

    def _sheet_part(self, part: messages.SheetPart, now: Moment) -> None:
        try:
            whole = self.memory.add_sheet_part(part, self._opened().digest)
        except SheetError as error:
            self.fault("sheet", f"the device sheet cannot be used: {error}", now)
            return
        if whole:
            self.move(LinkEvent.SHEET_KNOWN, now)
        else:
            self._ask(messages.Sheet(len(self.memory.sheet_parts)), now)

    def want_stream(self, now: Moment) -> None:
        """A device that already runs as we set it up is left running; without settings the caller's are awaited."""
        if self.settings is None:
            return
        opened = self._opened()
        running = opened.state == messages.DeviceState.RUNNING
        if running and opened.config_epoch == self.memory.set_up_epoch:
            self.move(LinkEvent.STREAMING, now)
        else:
            self._ask(messages.Halt() if running else self._setup_message(), now)

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

    def _set_up(self, reply: messages.SetupReply, now: Moment) -> None:
        difference = greeting.set_up_difference(self._setup_message(), reply)
        if difference is not None:
            self.fault("refused", difference, now)
            return
        self.memory.set_up_epoch = reply.config_epoch
        self._ask(messages.Run(0), now)

    def _run(self, now: Moment) -> None:
        opened, lane = self._opened(), now.lane
        now.out.append(SessionUp(opened, self.memory.sheet, self.new_boot, self.resumed))
        self.new_boot = False
        now.watch.restart(now.at_ns, lane.frames)
        lane.hold_for(opened.ring_bytes)
        if self.resumed:
            lane.resume(opened.oldest_seq, opened.next_seq, now.at_ns, now.out)
        lane.start(self.memory.set_up_epoch, now.at_ns, now.out)

    def own_answer(self, request: Outstanding, message: Message, now: Moment) -> None:
        """The answer to a request that the handshake made."""
        match message:
            case messages.Refused():
                self._refused(message, now)
            case messages.SheetPart():
                self._sheet_part(message, now)
            case messages.SetupReply():
                self._set_up(message, now)
            case messages.Done() if request.kind == messages.Halt.KIND:
                self._ask(self._setup_message(), now)
            case _:
                self.move(LinkEvent.STREAMING, now)

    def _refused(self, refused: messages.Refused, now: Moment) -> None:
        """A refusal of the moment is tried again, any other ends the handshake."""
        if refused.reason == messages.Reason.NOT_NOW:
            self.tell_once("refused", greeting.refusal(refused), now.out)
            self.move(LinkEvent.UNANSWERED, now)
        else:
            self.fault("refused", greeting.refusal(refused), now)

    def unanswered(self, now: Moment) -> None:
        """A request of the handshake stayed without answer to its last retry."""
        self.tell_once("no_answer", "the device stopped answering in the middle of the handshake", now.out)
        self.move(LinkEvent.UNANSWERED, now)

    # restarts

    def goes_on(self, status: messages.Status, seq: int, now: Moment) -> bool:
        """Whether a STATUS is of the boot we talk to; when it is not, the restart is begun."""
        behind = -1 if self.status_seq < 0 else seq_distance(seq, self.status_seq)
        if status.boot_id != self.memory.boot_id:
            self.restart(status.boot_id, now)
            return False
        if not 0 <= behind <= NOTICE_REORDER_MAX:
            if status.tick < self.status_tick:
                self.restart(status.boot_id, now)
                return False
            self.status_seq, self.status_tick = seq, status.tick
        return True

    def restart(self, boot_id: int, now: Moment) -> None:
        """The device was seen to have restarted while we talked to it."""
        self._forget_boot(boot_id, messages.ResetCause.UNKNOWN.value, now)
        self.move(LinkEvent.RESTARTED, now)

    def _forget_boot(self, boot_id: int, cause: int, now: Moment) -> None:
        now.lane.flush(now.out)
        now.out.append(Restarted(boot_id, cause))
        now.counters.restarts += 1
        now.lane.forget_boot()
        self.memory.forget_boot()
        self.memory.boot_id = boot_id
        self.new_boot = True
