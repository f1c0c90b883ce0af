"""The ring: encoded blocks by sequence number, oldest overwritten, resent bit for bit."""

from collections import deque


class Ring:
    """Blocks as they go on the line, within a fixed number of bytes.

    Attributes:
        next_seq: sequence number of the next new block.
        next_send: the oldest block that has not been sent.
        overwritten_unsent: blocks lost before they were sent.
        high_water: most bytes that ever waited unsent.
    """

    def __init__(self, capacity: int) -> None:
        self.capacity = capacity
        self.overwritten_unsent = 0
        self.high_water = 0
        self.next_seq = 0
        self.next_send = 0
        self._blocks: deque[bytes] = deque()
        self._bytes = 0
        self._waiting = 0

    @property
    def oldest_seq(self) -> int:
        """The oldest block still held; `next_seq` when there is none."""
        return self.next_seq - len(self._blocks)

    def push(self, block: bytes) -> None:
        """Store a block, at the cost of the oldest ones."""
        while self._blocks and self._bytes + len(block) > self.capacity:
            oldest = self.oldest_seq
            dropped = self._blocks.popleft()
            self._bytes -= len(dropped)
            if oldest >= self.next_send:
                self.overwritten_unsent += 1
                self.next_send = oldest + 1
                self._waiting -= len(dropped)
        self._blocks.append(block)
        self._bytes += len(block)
        self._waiting += len(block)
        self.high_water = max(self.high_water, self._waiting)
        self.next_seq += 1

    def send_next(self) -> bytes:
        """The oldest block that waits; it counts as sent from now on."""
        block = self._blocks[self.next_send - self.oldest_seq]
        self.next_send += 1
        self._waiting -= len(block)
        return block

    def empty(self) -> None:
        """Forget everything and number from 0 again; the counters stay."""
        self._blocks.clear()
        self._bytes = self._waiting = self.next_seq = self.next_send = 0

    def again(self, seq: int) -> bytes | None:
        """A block sent before, None when it is no longer (or not yet) there."""
        if self.oldest_seq <= seq < self.next_send:
            return self._blocks[seq - self.oldest_seq]
        return None
