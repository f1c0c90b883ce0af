"""The link test as a function of stamped input: bytes of the device and ticks in, frames for the device out.

It opens a fresh session, reads the sheet, streams the test pattern, halts, waits for the tail and closes. It sends no
LEASE and no DRIVE, so nothing can turn because of it. Every wait has a limit of its own.
"""

from enum import StrEnum

from nightturn.acquisition.link import Link
from nightturn.acquisition.outputs import (
    BlockIn,
    DeviceEvent,
    LinkFault,
    Missing,
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
from nightturn.acquisition.states import LinkState
from nightturn.errors import ConfigError, NightturnError
from nightturn.linktest.findings import Findings
from nightturn.linktest.pattern_check import PatternCheck
from nightturn.linktest.round_trips import RoundTrips
from nightturn.linktest.stream_choice import Wanted, stream_for
from nightturn.linktest.troubles import not_reached
from nightturn.timebase.clock import Timebase
from nightturn.timebase.exchange import offset_and_delay
from nightturn_protocol import messages as wire
from nightturn_protocol.conversation import seq_add
from nightturn_protocol.framing import HEADER_BYTES, Deframer, parse_header
from nightturn_protocol.sheet import DeviceSheet, parse_sheet

NS_PER_S = 1_000_000_000
ANSWER_NS_MAX = (
    5 * NS_PER_S
)  # from the open line to OPENED; a board that resets when its port is opened needs two
HANDSHAKE_NS_MAX = 15 * NS_PER_S  # from there to the running stream; the longest sheet has 32 parts
COME_BACK_NS_MAX = 5 * NS_PER_S  # a device that restarts or falls silent in the middle
DRAIN_NS_MAX = 1_500_000_000  # after HALT: since the last block, until a STATUS shows that none is left
DRAIN_TOTAL_NS_MAX = 15 * NS_PER_S  # what a full ring takes on a slow line
CLOSE_NS_MAX = 1_500_000_000
EVENTS_KEPT_MAX = 64


class Phase(StrEnum):
    """Where the test stands."""

    OPENING = "opening"
    STREAMING = "streaming"
    HALTING = "halting"
    CLOSING = "closing"
    DONE = "done"


class LinkTest:
    """One test of one device; the methods that take input return the bodies of frames to send.

    Attributes:
        failure: why the test could not be made; None when it was.
        ups: what each session began with: the first, and one after each restart or silence.
        stream_ns: how long the pattern streamed.
        lost_tail: blocks at the very end that never came, so that nobody knows how many samples they held.
    """

    def __init__(self, wanted: Wanted, nonce: int) -> None:
        self.wanted = wanted
        self.phase = Phase.OPENING
        self.failure: NightturnError | None = None
        self.stopped = False
        self.link = Link.start(None, nonce)
        self.deframer = Deframer()
        self.findings = Findings()
        self.pattern = PatternCheck(self.findings)
        self.round_trips = RoundTrips()
        self.timebase: Timebase | None = None
        self.ups: list[SessionUp] = []
        self.sheet: DeviceSheet | None = None
        self.firmware: wire.FirmwareReply | None = None
        self.events: list[wire.Event] = []
        self.event_count = 0
        self.slow: dict[int, float] = {}
        self.first_status: wire.Status | None = None
        self.last_status: wire.Status | None = None
        self.restarts: list[Restarted] = []
        self.stream_ns = 0
        self.lost_tail = 0
        self.closed = False
        self._troubles: dict[str, str] = {}
        self._frames = 0
        self._phase_ns = 0
        self._greeted_ns = -1
        self._down_ns = -1
        self._progress_ns = 0
        self._asked: dict[int, int] = {}
        self._halted_ns = -1
        self._probe_id = 0
        self._probe_sent_ns = -1

    # input

    def opened(self, at_ns: int) -> list[bytes]:
        """The byte stream is open."""
        self._phase_ns = at_ns
        return self._take(self.link.opened(at_ns), at_ns)

    def received(self, at_ns: int, content: bytes) -> list[bytes]:
        """Bytes of one read."""
        bodies: list[bytes] = []
        for body in self.deframer.receive_bytes(content):
            self._frames += 1
            bodies += self._take(self.link.frame(at_ns, self._frames, body), at_ns)
        self.link.bad(at_ns, self.deframer.take_bad()[0])
        return bodies

    def probe_sent(self, body: bytes, at_ns: int) -> None:
        """This PROBE was handed to the line at this stamp."""
        probe = wire.Probe.decode(body[HEADER_BYTES:])
        self.round_trips.sent += 1
        self._probe_id, self._probe_sent_ns = probe.probe_id, at_ns
        if self.timebase is not None:
            self.timebase.probe_sent(probe.probe_id, at_ns)

    def lost(self, reason: str) -> None:
        """The byte stream is gone, and with it the test."""
        if self.phase is Phase.OPENING:
            self._troubles["lost"] = f"the line was lost: {reason}"
            self.failure = not_reached(self._troubles, self.wanted.line_baud)
        elif self.phase is not Phase.DONE:
            self.findings.add("line_lost", f"the line was lost while {self.phase}: {reason}")
        self.phase = Phase.DONE

    def stop(self, at_ns: int) -> list[bytes]:
        """A person asks to stop: what has come so far is judged, the device is closed."""
        if self.stopped or self.phase not in {Phase.OPENING, Phase.STREAMING}:
            return []  # it ends by itself
        self.stopped = True
        if self.phase is Phase.OPENING:
            return self._fail(NightturnError("cancelled before the test pattern began"), at_ns)
        return []

    def tick(self, at_ns: int) -> list[bytes]:
        """Time passes; about each 20 ms."""
        bodies = self._take(self.link.tick(at_ns), at_ns)
        match self.phase:
            case Phase.OPENING:
                bodies += self._opening(at_ns)
            case Phase.STREAMING:
                bodies += self._streaming(at_ns)
            case Phase.HALTING:
                bodies += self._halting(at_ns)
            case Phase.CLOSING if at_ns - self._phase_ns >= CLOSE_NS_MAX:
                self.phase = Phase.DONE
            case Phase.CLOSING | Phase.DONE:
                pass
        return bodies

    # phases

    def _opening(self, at_ns: int) -> list[bytes]:
        if self._greeted_ns < 0 and self.link.session:
            self._greeted_ns = at_ns
        since_ns, limit_ns = (
            (self._phase_ns, ANSWER_NS_MAX) if self._greeted_ns < 0 else (self._greeted_ns, HANDSHAKE_NS_MAX)
        )
        if self.link.state is LinkState.FAULT or at_ns - since_ns >= limit_ns:
            return self._fail(not_reached(self._troubles, self.wanted.line_baud), at_ns)
        return []

    def _streaming(self, at_ns: int) -> list[bytes]:
        if self.link.state is LinkState.RUNNING:
            self._down_ns = -1
        elif self._down_ns < 0:
            self._down_ns = at_ns
        gone = self.link.state is LinkState.FAULT or 0 <= self._down_ns <= at_ns - COME_BACK_NS_MAX
        if gone:
            self.findings.add("device_gone", "the device did not answer any more; the test ended early")
            return self._close(at_ns)
        if self.stopped or at_ns - self._phase_ns >= self.wanted.seconds * NS_PER_S:
            self.stream_ns = at_ns - self._phase_ns
            self.phase, self._phase_ns = Phase.HALTING, at_ns
            return self._ask(wire.Halt(), at_ns)
        return self._probe(at_ns)

    def _halting(self, at_ns: int) -> list[bytes]:
        """Wait until the device says that it has halted and nothing is left; what then is missing stays missing."""
        status, lane = self.last_status, self.link.lane
        halted = self._halted_ns >= 0 and status is not None and status.state != wire.DeviceState.RUNNING
        left = lane.series.ahead(seq_add(status.newest_seq, 1)) if status is not None else 0
        if halted and not left and not self.link.buffered:
            return self._drained(at_ns)
        quiet_ns = at_ns - max(self._halted_ns, self._progress_ns, self._phase_ns)
        if quiet_ns < DRAIN_NS_MAX and at_ns - self._phase_ns < DRAIN_TOTAL_NS_MAX:
            return self._probe(at_ns)
        if halted:
            self.lost_tail += max(0, left)
        else:
            self.findings.add(
                "not_halted", "no STATUS says that the stream has halted: its last samples are not checked"
            )
        return self._drained(at_ns)

    def _drained(self, at_ns: int) -> list[bytes]:
        bodies = self._take(self.link.flush(at_ns), at_ns)
        self.lost_tail += self.link.lane.series.hole_blocks
        if self.lost_tail:
            self.findings.add("tail_lost", "the last blocks of the stream never arrived", self.lost_tail)
        return bodies + self._close(at_ns)

    def _close(self, at_ns: int) -> list[bytes]:
        """End the session, whatever came before; in a fault the answer is not heard."""
        if self.phase is Phase.STREAMING:
            self.stream_ns = at_ns - self._phase_ns
        if self.ups and self.link.settings is not None:
            self.pattern.judge_amount(self.stream_ns / NS_PER_S, self.link.settings.rate_millihz / 1000)
        if not self.link.session:
            self.phase = Phase.DONE
            return []
        self.phase, self._phase_ns = Phase.CLOSING, at_ns
        return self._ask(wire.Close(), at_ns)

    def _fail(self, failure: NightturnError, at_ns: int) -> list[bytes]:
        self.failure = failure
        return self._close(at_ns)

    # what the link says

    def _take(self, outputs: list[Output], at_ns: int) -> list[bytes]:
        bodies: list[bytes] = []
        for output in outputs:
            if isinstance(output, SendFrame):
                self._note_resend(output.body)
                bodies.append(output.body)
            elif isinstance(output, BlockIn | Missing | Skipped):
                self._data(output, at_ns)
            else:
                bodies += self._said(output, at_ns)
        if self.link.wants_settings and self.phase is Phase.OPENING:
            bodies += self._choose(at_ns)
        return bodies

    def _note_resend(self, body: bytes) -> None:
        if parse_header(body).kind == wire.Resend.KIND:
            self.pattern.asked_again(wire.Resend.decode(body[HEADER_BYTES:]))

    def _data(self, output: BlockIn | Missing | Skipped, at_ns: int) -> None:
        match output:
            case BlockIn():
                self._progress_ns = at_ns
                self.pattern.block(output)
            case Missing():
                self.pattern.gap(output)
            case Skipped():
                self.pattern.skipped(output)

    def _said(self, output: Output, at_ns: int) -> list[bytes]:
        match output:
            case SessionUp():
                return self._up(output, at_ns)
            case ProbedIn():
                return self._probed(output)
            case LinkFault():
                return self._fault(output, at_ns)
            case Reply():
                return self._reply(output, at_ns)
            case StatusIn():
                self.first_status = self.first_status or output.status
                self.last_status = output.status
            case SlowIn():
                self.slow.update(output.slow.values)
            case DeviceEvent():
                self.event_count += 1
                self.events = [*self.events, output.event][-EVENTS_KEPT_MAX:]
            case Restarted():
                self._restarted(output)
            case _:
                raise AssertionError("handled before")
        return []

    def _choose(self, at_ns: int) -> list[bytes]:
        """The sheet is known: ask for the stream that suits it."""
        try:
            settings = stream_for(parse_sheet(self.link.sheet), self.wanted)
        except ConfigError as error:
            return self._fail(error, at_ns)
        return self._take(self.link.set_up(settings, at_ns), at_ns)

    def _up(self, up: SessionUp, at_ns: int) -> list[bytes]:
        """The pattern streams."""
        settings = self.link.settings
        assert settings is not None
        self.sheet = parse_sheet(up.sheet)
        self.ups.append(up)
        if up.new_boot:
            self.timebase = Timebase.start(self.sheet.tick_hz, utc_offset_ns=0, previous_ts_ns=0)
        if not up.resumed:
            self.pattern.begin(self.sheet.tick_hz * 1000 / settings.rate_millihz, settings.samples_per_block)
        if self.phase is not Phase.OPENING:
            return []
        self.phase, self._phase_ns = Phase.STREAMING, at_ns
        if up.opened.tick_hz != self.sheet.tick_hz:
            said = f"OPENED says tick_hz = {up.opened.tick_hz}, the sheet {self.sheet.tick_hz}"
            self.findings.add("clocks_disagree", said)
        asked = self.link.ask_firmware(at_ns)
        if asked is None:
            return self._probe(at_ns)
        self._asked[asked[0]] = wire.Firmware.KIND
        return [asked[1].body, *self._probe(at_ns)]

    def _fault(self, fault: LinkFault, at_ns: int) -> list[bytes]:
        """A fault of the link; one that is silent is greeted once more, it may have restarted."""
        if self.phase is Phase.OPENING:
            self._troubles[fault.kind] = fault.detail
            return []
        self.findings.add(fault.kind, fault.detail)
        if fault.kind == "silent" and self.phase is Phase.STREAMING:
            return self._take(self.link.opened(at_ns), at_ns)
        return []

    def _restarted(self, restarted: Restarted) -> None:
        self.restarts.append(restarted)
        self.first_status = self.last_status = None  # counters begin anew with a boot
        self.findings.add("restarted", f"the device restarted, its boot is now {restarted.boot_id:08x}")

    # requests and probes

    def _ask(self, request: wire.Message, at_ns: int) -> list[bytes]:
        seq, frame = self.link.request(request, at_ns)
        self._asked[seq] = request.KIND
        return [frame.body]

    def _reply(self, reply: Reply, at_ns: int) -> list[bytes]:
        kind = self._asked.pop(reply.request_seq, 0)
        answered = not isinstance(reply.message, wire.Refused | None)
        if kind == wire.Halt.KIND:
            self._halted_ns = at_ns
        if kind == wire.Close.KIND:
            self.phase, self.closed = Phase.DONE, answered
        elif isinstance(reply.message, wire.FirmwareReply):
            self.firmware = reply.message
        if not answered and self.failure is None:
            name = wire.BY_KIND[reply.request_kind].__name__.upper()
            self.findings.add("request_failed", f"{name} was not answered, or refused")
        return []

    def _probe(self, at_ns: int) -> list[bytes]:
        if self.timebase is None or self.link.state is not LinkState.RUNNING:
            return []
        if not self.timebase.want_probe(at_ns):
            return []
        probe = wire.Probe(host_ns=at_ns, pad_a=0, pad_b=0, probe_id=(self._probe_id + 1) & 0xFFFF_FFFF)
        return [self.link.notice(probe).body]

    def _probed(self, answer: ProbedIn) -> list[bytes]:
        """Four stamps of one probe: for the round trips, and for the clock."""
        probed, timebase = answer.probed, self.timebase
        if timebase is None:
            return []
        if probed.probe_id == self._probe_id and self._probe_sent_ns >= 0:
            rx_ns, tx_ns = (tick * NS_PER_S // timebase.tick_hz for tick in (probed.tick_rx, probed.tick_tx))
            _, delay_ns = offset_and_delay(self._probe_sent_ns, rx_ns, tx_ns, answer.at_ns)
            self.round_trips.add(answer.at_ns, delay_ns, tx_ns - rx_ns)
            self._probe_sent_ns = -1
        timebase.probed(probed.probe_id, probed.tick_rx, probed.tick_tx, answer.at_ns)
        return self._probe(answer.at_ns) if self.phase is Phase.STREAMING else []
