"""What host and device both need to keep a conversation: arithmetic of sequence numbers."""

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
