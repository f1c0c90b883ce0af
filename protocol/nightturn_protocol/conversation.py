"""Small pieces that host and device both need to keep a conversation: sequence numbers and remembered replies."""

from collections import OrderedDict

from nightturn_protocol.messages import REPLIES_KEPT, Lane

SEQ_MODULUS = 1 << 32
_HALF = 1 << 31


def seq_add(seq: int, count: int) -> int:
    """The sequence number `count` after `seq` (before it when negative), across the wrap."""
    return (seq + count) % SEQ_MODULUS


def seq_distance(start: int, end: int) -> int:
    """How far `end` lies after `start`, across the wrap: -2^31 to 2^31 - 1, negative when it lies before."""
    return (end - start + _HALF) % SEQ_MODULUS - _HALF


def seq_after(seq: int, other: int) -> bool:
    """Whether `seq` comes after `other`; each is compared within half the number range."""
    return seq_distance(other, seq) > 0


class LaneSequences:
    """The next sequence number of each lane in one direction; begins at `first` on every lane."""

    __slots__ = ("_next",)

    def __init__(self, first: int = 0) -> None:
        self._next = dict.fromkeys(Lane, first)

    def peek(self, lane: Lane) -> int:
        """The number the next frame on the lane will carry."""
        return self._next[lane]

    def take(self, lane: Lane) -> int:
        """The number for a frame that is sent now."""
        seq = self._next[lane]
        self._next[lane] = seq_add(seq, 1)
        return seq

    def restart(self, lane: Lane, seq: int) -> None:
        """Goes on from `seq` on one lane."""
        self._next[lane] = seq


class ReplyCache:
    """The newest replies by the sequence number of their request, so that a retry repeats no effect.

    A retry carries the number of the first try. Who answers looks here before acting; what it finds it sends again,
    unchanged. At most REPLIES_KEPT replies are kept, the oldest goes first. A new session begins with an empty cache:
    its sequence numbers mean other requests.
    """

    __slots__ = ("_replies",)

    def __init__(self) -> None:
        self._replies: OrderedDict[int, tuple[int, bytes]] = OrderedDict()

    def find(self, seq: int, kind: int) -> bytes | None:
        """The reply given to the request with this number and kind, None when it was not seen or is forgotten."""
        kept = self._replies.get(seq)
        return kept[1] if kept is not None and kept[0] == kind else None

    def keep(self, seq: int, kind: int, reply: bytes) -> None:
        """Remembers the reply to the request with this number and kind."""
        self._replies[seq] = (kind, reply)
        self._replies.move_to_end(seq)
        if len(self._replies) > REPLIES_KEPT:
            self._replies.popitem(last=False)

    def clear(self) -> None:
        """Forgets all replies."""
        self._replies.clear()
