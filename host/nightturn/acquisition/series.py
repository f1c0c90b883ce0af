"""The series of blocks: each is checked against the one before, and what is missing in between is declared."""

import msgspec

from nightturn.acquisition.blocks import SAMPLES_AT
from nightturn.acquisition.outputs import (
    BY_DEVICE,
    BY_HOST,
    BY_LINK,
    BY_OVERWRITING,
    DUPLICATE,
    FOREIGN,
    LATE,
    MALFORMED,
    BlockIn,
    Missing,
    Output,
    Skipped,
)
from nightturn_protocol.conversation import seq_add, seq_distance
from nightturn_protocol.framing import HEADER_BYTES
from nightturn_protocol.messages import BLOCK_HEADER, block_fault

GIVEN_UP_KEPT = 64
# no device counts this far; what follows from these numbers must fit into 64 bits
COUNT_MAX = 1 << 62
CAUSES = ("", BY_OVERWRITING, BY_HOST, BY_LINK)  # of a hole with several causes the later one here stands


class Series(msgspec.Struct):
    """Where the series stands: `expected` is the sequence number wanted next, `next_index` the sample number.

    `next_index` and `last_tick` are -1 before the first block of a boot; `fallback_index` and the number of
    blocks given up stand in when that first block is lost. `fresh` holds until the first block of a session,
    `restarted` is set when the device's clock or sample number is seen to go backwards. While `host_was_away` what is
    given up is put down to the host and not to the line.
    """

    block_samples: int
    config_epoch: int = -1
    fresh: bool = True
    restarted: bool = False
    expected: int = 0
    next_index: int = -1
    fallback_index: int = -1
    last_tick: int = -1
    hole_cause: str = ""
    hole_blocks: int = 0
    given_up: list[tuple[int, int]] = []
    overwritten_due: int = 0
    host_was_away: bool = False
    blocks: int = 0
    duplicates: int = 0
    late: int = 0
    malformed: int = 0
    blocks_given_up: int = 0

    def begin(self, expected: int, next_index: int) -> None:
        """A new session with its own sequence numbers; what lies between it and the last block is missing by the link."""
        self.fresh = True
        self.expected = expected
        self.fallback_index = next_index
        if self.next_index >= 0:
            self.hole_cause = BY_LINK
        self.given_up.clear()

    def forget_boot(self) -> None:
        """Sample numbers and ticks begin anew."""
        self.next_index = self.last_tick = self.fallback_index = -1
        self.hole_cause = ""
        self.hole_blocks = 0
        self.restarted = False
        self.overwritten_due = 0

    def ahead(self, seq: int) -> int:
        """How far `seq` lies ahead of the block wanted next; negative when the series is past it."""
        return seq_distance(self.expected, seq)

    def give_up(self, end: int) -> None:
        """The blocks from `expected` to `end` will not be waited for."""
        count = seq_distance(self.expected, end)
        lost = BY_HOST if self.host_was_away else BY_LINK
        cause = BY_OVERWRITING if self.overwritten_due > 0 else lost
        self.overwritten_due = max(0, self.overwritten_due - count)
        if CAUSES.index(cause) >= CAUSES.index(self.hole_cause):
            self.hole_cause = cause
        self.given_up.append((self.expected, end))
        del self.given_up[:-GIVEN_UP_KEPT]
        self.expected = end
        self.hole_blocks += count
        self.blocks_given_up += count

    def skip(self, record_no: int, seq: int, out: list[Output]) -> None:
        """A block that the series is past: it came twice, or after it was given up."""
        for first, end in self.given_up:
            if seq_distance(first, seq) >= 0 > seq_distance(end, seq):
                self.late += 1
                out.append(Skipped(record_no, LATE))
                return
        self.duplicates += 1
        out.append(Skipped(record_no, DUPLICATE))

    def deliver(self, record_no: int, seq: int, body: bytes, out: list[Output]) -> None:
        """The block wanted next: check it against the series, declare what is missing before it."""
        self.expected = seq_add(seq, 1)
        if self.restarted:
            out.append(Skipped(record_no, FOREIGN))
            return
        fault = MALFORMED
        if len(body) > SAMPLES_AT:
            index, tick, position, count, _, form, flags, epoch, inputs, _ = BLOCK_HEADER.unpack_from(
                body, HEADER_BYTES
            )
            if not block_fault(count, form, len(body) - SAMPLES_AT):
                fault = self._order_fault(index, tick, epoch)
                if not fault:
                    self._gap(index, out)
                    self.next_index = index + count
                    self.last_tick = tick
                    self.fresh = False
                    self.blocks += 1
                    out.append(BlockIn(record_no, seq, index, tick, position, count, flags, inputs, body))
                    return
        self.malformed += fault == MALFORMED
        out.append(Skipped(record_no, fault))

    def _order_fault(self, index: int, tick: int, epoch: int) -> str:
        """Why a whole block cannot follow: it is of another set-up, or clock or sample number went backwards.

        A clock that goes backwards means a restart, a sample number only when it does so with a new session.
        """
        if epoch != self.config_epoch:
            return FOREIGN
        if max(index, tick) >= COUNT_MAX:
            return MALFORMED
        if tick <= self.last_tick or (self.fresh and index < self.next_index):
            self.restarted = True
            return FOREIGN
        return MALFORMED if index < self.next_index else ""

    def _gap(self, index: int, out: list[Output]) -> None:
        wanted = self.next_index
        if wanted < 0 and self.hole_blocks:  # the first blocks of a boot were lost
            wanted = max(self.fallback_index, index - self.hole_blocks * self.block_samples)
        if 0 <= wanted < index:
            out.append(Missing(self.hole_cause or BY_DEVICE, wanted, index))
        self.hole_cause = ""
        self.hole_blocks = 0
