"""The data lane: blocks put back into the order of their sequence numbers, and what to ask for again.

One hole is worked on at a time: the one between the block wanted next (`expected`) and the next block that is
known of. It ends by the blocks arriving, or by giving it up; a hole given up becomes a `Missing` when the first
block behind it shows how many samples it held.

A hole is given up when the device says that its ring no longer holds it: GONE, or the `oldest_seq` of a STATUS. Where
the device says nothing of the kind, patience ends after the time that its ring can hold, counted from the last block
that came of the hole. Time in which the host did not look at the line counts for no patience.
"""

import msgspec

from nightturn.acquisition.blocks import SAMPLE_BYTES, SAMPLES_AT
from nightturn.acquisition.control import FAR_NS, NS_PER_MS
from nightturn.acquisition.outputs import FOREIGN, LATE, Output, Skipped
from nightturn.acquisition.series import Series
from nightturn_protocol.conversation import seq_add, seq_distance
from nightturn_protocol.framing import CRC_BYTES
from nightturn_protocol.messages import RESEND_BLOCKS_MAX, EncoderForm

WAITING_MAX = 1024  # as many blocks as the ring of the device core can hold
RESEND_TRIES = 5
RESEND_SLOW_NS = 100 * NS_PER_MS  # after that many tries without effect one as seldom as a STATUS
RESEND_WAIT_NS_MIN = 20 * NS_PER_MS
# a device sends at most one block again per two new ones, so an answer may take this many blocks
RESEND_WAIT_BLOCKS = 3
RTTS_PER_RESEND_WAIT = 4
RESENDS_PER_HOLD = 4
# how long a hole may hold up the blocks behind it: what the device's ring holds, within these bounds
HOLD_NS_MIN = 250 * NS_PER_MS
HOLD_NS_MAX = 10_000 * NS_PER_MS
TICKS_LATE = 2.5  # control periods without an input: the host stood still
CLOSING_BYTES = CRC_BYTES + 2  # the least that closes a frame: CRC, one byte of COBS, delimiter
# blocks that wait while the line is down, and a catch-up after it, are bounded by these
OUTAGE_HOLD_NS = 5_000 * NS_PER_MS
CATCH_UP_NS_MAX = 10_000 * NS_PER_MS


class Waiting(msgspec.Struct, array_like=True):
    """A block that came too early."""

    record_no: int
    at_ns: int
    body: bytes


class Ask(msgspec.Struct):
    """The one RESEND outstanding: [first, end), its patience and how often it stayed without effect."""

    first: int
    end: int
    due_ns: int
    frames: int
    tries: int = 1


class DataLane(msgspec.Struct):
    """The series of blocks, what waits for its turn in it, and what was asked for again.

    `session` is the one in force, 0 before the first. `fast_session` is the session while nothing waits and nothing is
    asked for, else -1: the one thing that the common case compares. `frames` counts valid frames of the line.
    `attended_ns` is when the host last looked after the lane, which it does `late_ns` later at the latest. Up to `away_until_ns` it is the host that a hole is put
    down to: it stood still so shortly before that the ring may have gone round meanwhile.
    """

    series: Series
    session: int = 0
    hold_ns: int = HOLD_NS_MIN
    block_ns: int = 0
    established: bool = False
    running: bool = False
    fast_session: int = -1
    frames: int = 0
    min_rtt_ns: int = 0
    waiting: dict[int, Waiting] = msgspec.field(default_factory=dict)
    hold_from_ns: int = 0
    ask: Ask | None = None
    ask_unsent: bool = False
    tail: int = 0
    tail_wanted: int = 0
    tail_due_ns: int = FAR_NS
    catch_up_end: int = -1
    catch_up_until_ns: int = 0
    progress_ns: int = 0
    overwritten_seen: int = -1
    resends: int = 0
    late_ns: int = FAR_NS
    attended_ns: int = -1
    away_until_ns: int = -1

    # the series begins, goes on, ends

    def hold_for(self, ring_bytes: int) -> None:
        """The patience with a hole that a ring of this size deserves: as long as it holds the shortest form of a block."""
        samples = self.series.block_samples
        block_bytes = SAMPLES_AT + samples * SAMPLE_BYTES[EncoderForm.DELTA16] + CLOSING_BYTES
        round_trip_ns = max(RESEND_WAIT_NS_MIN, RTTS_PER_RESEND_WAIT * self.min_rtt_ns)
        ring_ns = ring_bytes // block_bytes * self.block_ns + round_trip_ns
        self.hold_ns = min(max(ring_ns, HOLD_NS_MIN), HOLD_NS_MAX)

    def attend(self, at_ns: int) -> None:
        """The host looks after the lane; what came while it stood still has yet to be read, so patience begins anew."""
        away_ns = at_ns - self.attended_ns if self.attended_ns >= 0 else 0
        self.attended_ns = at_ns
        if away_ns > self.late_ns:
            self.away_until_ns = at_ns + self.hold_ns
            self.hold_from_ns = self.progress_ns = at_ns
            self.catch_up_until_ns += away_ns
            patience_ns = at_ns + self._patience_ns()
            if self.ask is not None:
                self.ask.due_ns = max(self.ask.due_ns, patience_ns)
            if self.tail_due_ns != FAR_NS:
                self.tail_due_ns = max(self.tail_due_ns, patience_ns)
        self.series.host_was_away = at_ns < self.away_until_ns

    def begin(self, session: int, expected: int, next_index: int, out: list[Output]) -> None:
        """A new session: whatever waited of the old one is delivered, with its holes declared."""
        self.flush(out)
        self.session = session
        self.established = False
        self.series.begin(expected, next_index)
        self.stop()

    def resume(self, oldest: int, next_seq: int, at_ns: int, out: list[Output]) -> None:
        """The old session goes on after an outage: what the ring still holds is asked for."""
        self.pass_over(oldest, out)
        if self.series.ahead(next_seq) < 0:  # the device has forgotten blocks that we hold
            self.series.expected = next_seq
        self.catch_up_end = next_seq if next_seq != self.series.expected else -1
        self.catch_up_until_ns = at_ns + CATCH_UP_NS_MAX
        self.progress_ns = at_ns

    def start(self, config_epoch: int, at_ns: int, out: list[Output]) -> None:
        """The stream of this set-up runs: deliver what is in order, ask for what is not."""
        self.series.config_epoch = config_epoch
        self.running = True
        self.established = True
        self.hold_from_ns = at_ns
        self.settle(at_ns, out)

    def stop(self) -> None:
        """The line is lost or the handshake begins anew: nothing is asked for until `start`."""
        self.running = False
        self.fast_session = -1
        self.ask = None
        self.ask_unsent = False
        self.tail_due_ns = FAR_NS
        self.catch_up_end = -1

    def flush(self, out: list[Output]) -> None:
        """Give every hole up and deliver what waits."""
        self.catch_up_end = -1
        if not self.established:
            out.extend(Skipped(block.record_no, FOREIGN) for block in self.waiting.values())
            self.waiting.clear()
        self._drain(out)
        while self.waiting:
            self.series.give_up(self._lowest_waiting())
            self._drain(out)

    def forget_boot(self) -> None:
        """The next session's sample numbers and ticks begin anew."""
        self.series.forget_boot()
        self.session = 0
        self.established = False
        self.overwritten_seen = -1
        self.stop()

    # what arrives

    def block(self, at_ns: int, record_no: int, seq: int, body: bytes, out: list[Output]) -> None:
        """A BLOCK frame of this session that is not simply the next one."""
        self.attend(at_ns)
        distance = self.series.ahead(seq)
        ask = self.ask
        if ask is not None and seq_distance(ask.first, seq) >= 0 > seq_distance(ask.end, seq):
            ask.due_ns = at_ns + self._patience_ns()
            ask.tries = 1
            self.progress_ns = at_ns
        if distance < 0 or seq in self.waiting:
            self.series.skip(record_no, seq, out)
            return
        if distance == 0 and self.running:
            self.series.deliver(record_no, seq, body, out)
        elif len(self.waiting) < WAITING_MAX:
            self.waiting[seq] = Waiting(record_no, at_ns, body)
        elif self.running:
            self.series.give_up(self._lowest_waiting())
            self._drain(out)
            self.block(at_ns, record_no, seq, body, out)
            return
        else:
            self.series.late += 1
            out.append(Skipped(record_no, LATE))
            return
        if self.running:
            self.settle(at_ns, out)

    def status(self, at_ns: int, newest: int, oldest: int, overwritten: int, out: list[Output]) -> None:
        """A STATUS says what the ring holds: shows a lost tail, and what can no longer be had."""
        self.attend(at_ns)
        if self.overwritten_seen >= 0:
            self.series.overwritten_due += max(0, seq_distance(self.overwritten_seen, overwritten))
        self.overwritten_seen = overwritten
        if not self.running:
            return
        lacking = self.series.ahead(seq_add(newest, 1))
        if self._nothing_due and lacking <= 0 and self.series.ahead(oldest) <= 0:
            return
        self.pass_over(oldest, out)
        lacking = self.series.ahead(seq_add(newest, 1))
        if lacking > 0 and not self.series.fresh and not self.waiting and self.tail_due_ns == FAR_NS:
            self.tail, self.tail_wanted = newest, self.series.expected
            self.tail_due_ns = at_ns + self._patience_ns()
        self.settle(at_ns, out)

    def gone(self, at_ns: int, first: int, count: int, out: list[Output]) -> None:
        """A GONE says that blocks have left the ring."""
        if self.running and seq_distance(first, self.series.expected) >= 0:
            self.pass_over(seq_add(first, count), out)
            self.settle(at_ns, out)

    def pass_over(self, end: int, out: list[Output]) -> None:
        """Give up every hole before `end`, delivering what waits in between."""
        self._drain(out)
        while self.series.ahead(end) > 0 and not self.series.restarted:
            hole = self.series.ahead(self._lowest_waiting()) if self.waiting else 1 << 31
            self.series.give_up(seq_add(self.series.expected, min(hole, self.series.ahead(end))))
            self._drain(out)

    # timers

    def serve(self, at_ns: int, out: list[Output]) -> None:
        """Whatever is due: ask again, or give up."""
        self.attend(at_ns)
        if self._nothing_due:
            return
        if not self.running:
            if self.waiting and self.established and at_ns - self._oldest_ns() >= OUTAGE_HOLD_NS:
                self.flush(out)
            return
        if self.tail_due_ns <= at_ns:
            self._ask_tail(at_ns)
        if self.ask is not None and self.ask.due_ns <= at_ns:
            self._ask_again(self.ask, at_ns)
        while not self.series.restarted and self.hold_due_ns() <= at_ns:
            self.series.give_up(self._lowest_waiting() if self.waiting else self.catch_up_end)
            if self.catch_up_end >= 0:
                self._end_catch_up(at_ns)
            self._drain(out)
        self.settle(at_ns, out)

    def due_ns(self) -> int:
        """When `serve` has something to do."""
        if self.fast_session >= 0:  # the common case: nothing waits, nothing is asked for
            return self.tail_due_ns
        if not self.running:
            return self._oldest_ns() + OUTAGE_HOLD_NS if self.waiting and self.established else FAR_NS
        ask_ns = self.ask.due_ns if self.ask is not None else FAR_NS
        return min(ask_ns, self.tail_due_ns, self.hold_due_ns())

    def hold_due_ns(self) -> int:
        """When the hole in front is given up whatever happens."""
        if self.catch_up_end >= 0:
            patience = max(self.hold_ns, RESEND_TRIES * self._patience_ns())
            return min(self.progress_ns + patience, self.catch_up_until_ns)
        if self.waiting:
            return max(self._oldest_ns(), self.hold_from_ns, self.progress_ns) + self.hold_ns
        return FAR_NS

    # inside

    @property
    def _nothing_due(self) -> bool:
        """The common case: nothing waits, nothing is asked for and no tail is awaited, so `settle` changes nothing."""
        return self.fast_session >= 0 and self.tail_due_ns == FAR_NS

    def settle(self, at_ns: int, out: list[Output]) -> None:
        """After any change: deliver what is in order, end what is done, ask for the hole in front."""
        before = self.series.expected
        self._drain(out)
        if self.series.expected != before:
            self.progress_ns = at_ns
        if self.series.restarted:
            return
        if self.catch_up_end >= 0 and self.series.ahead(self.catch_up_end) <= 0:
            self._end_catch_up(at_ns)
        if self.tail_due_ns != FAR_NS and self.series.ahead(self.tail) < 0:
            self.tail_due_ns = FAR_NS
        if self.ask is not None and self.series.ahead(self.ask.end) <= 0:
            self.ask = None
        if self.ask is None and (self.waiting or self.catch_up_end >= 0):
            self._ask(self._lowest_waiting() if self.waiting else self.catch_up_end, at_ns)
        steady = self.ask is None and not self.waiting and self.catch_up_end < 0
        self.fast_session = self.session if steady else -1

    def _end_catch_up(self, at_ns: int) -> None:
        self.catch_up_end = -1
        self.hold_from_ns = at_ns

    def _oldest_ns(self) -> int:
        return next(iter(self.waiting.values())).at_ns

    def _lowest_waiting(self) -> int:
        expected = self.series.expected
        return seq_add(expected, min(seq_distance(expected, seq) for seq in self.waiting))

    def _patience_ns(self) -> int:
        """How long a RESEND waits; outside a catch-up several of them have to fit into the hold."""
        blocks_ns = RESEND_WAIT_BLOCKS * self.block_ns
        if self.catch_up_end < 0:
            blocks_ns = min(blocks_ns, self.hold_ns // RESENDS_PER_HOLD)
        return max(RESEND_WAIT_NS_MIN, RTTS_PER_RESEND_WAIT * self.min_rtt_ns, blocks_ns)

    def _ask(self, end: int, at_ns: int, tries: int = 1) -> None:
        count = min(self.series.ahead(end), RESEND_BLOCKS_MAX)
        assert count > 0
        patience_ns = self._patience_ns()
        if tries > RESEND_TRIES:
            patience_ns = max(patience_ns, RESEND_SLOW_NS)
        first = self.series.expected
        self.ask = Ask(first, seq_add(first, count), at_ns + patience_ns, self.frames, tries)
        self.ask_unsent = True
        self.resends += 1

    def _ask_tail(self, at_ns: int) -> None:
        """A STATUS named blocks that have not come; when others came meanwhile they are still on their way."""
        self.tail_due_ns = FAR_NS
        if self.ask is None and self.series.expected == self.tail_wanted:
            self._ask(seq_add(self.tail, 1), at_ns)

    def _ask_again(self, ask: Ask, at_ns: int) -> None:
        """An ask ran out of patience; on a silent line that says nothing about the blocks."""
        tries = ask.tries + (1 if self.frames != ask.frames else 0)
        self._ask(self._lowest_waiting() if self.waiting else ask.end, at_ns, tries)

    def _drain(self, out: list[Output]) -> None:
        while self.series.expected in self.waiting:
            block = self.waiting.pop(self.series.expected)
            self.series.deliver(block.record_no, self.series.expected, block.body, out)
