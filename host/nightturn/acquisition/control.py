"""The control lane: requests that are retried until they are answered or given up."""

import msgspec

from nightturn_protocol.conversation import seq_add
from nightturn_protocol.framing import frame_body
from nightturn_protocol.messages import REPLIES_KEPT, Message

NS_PER_MS = 1_000_000
# how long each attempt waits for its answer: the first, then three retries
ATTEMPT_WAITS_NS = (100 * NS_PER_MS, 200 * NS_PER_MS, 400 * NS_PER_MS, 400 * NS_PER_MS)
# as many as the device remembers replies for: behind so many others, answered or not, a retry could act twice
OUTSTANDING_MAX = REPLIES_KEPT
FAR_NS = (1 << 63) - 1


class Outstanding(msgspec.Struct):
    """A request that waits for its answer; `own` marks the link's own handshake, `number` counts requests."""

    seq: int
    kind: int
    reply_kind: int
    body: bytes
    sent_ns: int
    due_ns: int
    own: bool
    attempt: int = 0
    number: int = 0

    def withdraw(self, at_ns: int) -> None:
        """Ends unanswered at the next `ControlLane.serve`, unless its answer comes before."""
        self.attempt = len(ATTEMPT_WAITS_NS)
        self.due_ns = at_ns


class ControlLane(msgspec.Struct):
    """Requests under way, by sequence number; none stays so behind `OUTSTANDING_MAX` later ones."""

    next_seq: int
    waiting: dict[int, Outstanding] = {}
    min_rtt_ns: int = 0
    requests: int = 0

    def take_seq(self) -> int:
        """The sequence number for a frame that is sent now."""
        seq = self.next_seq
        self.next_seq = seq_add(seq, 1)
        return seq

    def send(self, message: Message, session: int, at_ns: int, *, own: bool) -> Outstanding:
        """Number a request and remember it; one that the device may forget for it is given up at the next `serve`."""
        seq = self.take_seq()
        self.requests += 1
        request = Outstanding(
            seq=seq,
            kind=message.KIND,
            reply_kind=message.REPLY_KIND or 0,
            body=frame_body(message, session, seq),
            sent_ns=at_ns,
            due_ns=at_ns + ATTEMPT_WAITS_NS[0],
            own=own,
            number=self.requests,
        )
        for earlier in self.waiting.values():
            if self.requests - earlier.number >= OUTSTANDING_MAX:
                earlier.withdraw(at_ns)
        self.waiting[seq] = request
        return request

    def answered(self, seq: int, kind: int, refused: bool, at_ns: int) -> Outstanding | None:  # noqa: FBT001  two kinds of answer
        """The request that this answer ends, None when nobody waits for it."""
        request = self.waiting.get(seq)
        if request is None or (not refused and kind != request.reply_kind):
            return None
        del self.waiting[seq]
        if request.attempt == 0:  # of a retried request nobody knows which attempt was answered
            self.round_trip(at_ns - request.sent_ns)
        return request

    def round_trip(self, rtt_ns: int) -> None:
        """Take note of a round trip."""
        if rtt_ns > 0 and (self.min_rtt_ns == 0 or rtt_ns < self.min_rtt_ns):
            self.min_rtt_ns = rtt_ns

    def serve(self, at_ns: int) -> tuple[list[bytes], list[Outstanding]]:
        """What is due: frames to send again, and requests given up."""
        again: list[bytes] = []
        given_up: list[Outstanding] = []
        for request in list(self.waiting.values()):
            if at_ns < request.due_ns:
                continue
            request.attempt += 1
            if request.attempt < len(ATTEMPT_WAITS_NS):
                request.due_ns = at_ns + ATTEMPT_WAITS_NS[request.attempt]
                again.append(request.body)
            else:
                del self.waiting[request.seq]
                given_up.append(request)
        return again, given_up

    def abandon(self) -> list[Outstanding]:
        """Give up everything at once."""
        given_up = list(self.waiting.values())
        self.waiting.clear()
        return given_up

    def due_ns(self) -> int:
        """When `serve` has something to do."""
        due_ns = FAR_NS
        for request in self.waiting.values():
            if request.due_ns < due_ns:  # noqa: PLR1730  twice as fast as min()
                due_ns = request.due_ns
        return due_ns
