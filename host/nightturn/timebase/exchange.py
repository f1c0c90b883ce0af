"""Probes: when to send one, which answer belongs to it, and what its four stamps say."""

import msgspec

BURST = 32
BURST_ENOUGH = 4  # answers that suffice for a lock once BURST_NS are over
BURST_NS = 2_000_000_000
BURST_PATIENCE_NS = 100_000_000  # in the burst the next probe does not wait longer for an answer
PATIENCE_NS = 1_000_000_000  # afterwards an unanswered probe is abandoned
SPACING_NS = 80_000_000  # one every 100 ms, less the jitter of the caller's tick


def offset_and_delay(t1: float, t2: float, t3: float, t4: float) -> tuple[float, float]:
    """Offset of the other clock and round-trip delay from four stamps (RFC 5905 section 8).

    Args:
        t1: our clock when the request left.
        t2: their clock when it came in.
        t3: their clock when the answer left.
        t4: our clock when it came in.

    Returns:
        (their clock minus ours, delay). The offset is wrong by at most half the delay.
    """
    return ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)


class Probes(msgspec.Struct):
    """At most one probe is under way; answers to any other are counted and ignored.

    Attributes:
        asked_ns: when the last probe was wanted; -1 before the first.
        waiting: one is wanted or under way.
        probe_id: of the probe under way; -1 when none has left.
        sent_ns: its stamp at the write.
        answered, abandoned, stale: lifetime counts.
    """

    asked_ns: int = -1
    waiting: bool = False
    probe_id: int = -1
    sent_ns: int = 0
    answered: int = 0
    abandoned: int = 0
    stale: int = 0

    def want(self, at_ns: int, *, burst: bool) -> bool:
        """Whether the next probe should be sent now; says yes once for each."""
        if self.waiting:
            patience_ns = BURST_PATIENCE_NS if burst or self.probe_id < 0 else PATIENCE_NS
            since_ns = self.sent_ns if self.probe_id >= 0 else self.asked_ns
            if at_ns - since_ns < patience_ns:
                return False
            self.abandoned += 1
        elif not burst and self.asked_ns >= 0 and at_ns - self.asked_ns < SPACING_NS:
            return False
        self.asked_ns = at_ns
        self.waiting = True
        self.probe_id = -1
        return True

    def sent(self, probe_id: int, at_ns: int) -> None:
        """The probe was handed to the line at this stamp."""
        if self.waiting and self.probe_id >= 0:
            self.abandoned += 1
        self.waiting = True
        self.probe_id = probe_id
        self.sent_ns = at_ns
        self.asked_ns = max(self.asked_ns, at_ns)

    def claim(self, probe_id: int) -> int | None:
        """The stamp at which the answered probe left, or None when the answer is stale."""
        if not self.waiting or probe_id != self.probe_id:
            self.stale += 1
            return None
        self.waiting = False
        self.probe_id = -1
        self.answered += 1
        return self.sent_ns
