"""The test pattern: torque and encoder that follow from the sample index alone.

A device that streams PATTERN sends these numbers, so both ends know every sample and any loss or wrong byte shows. The
multiplier is Knuth's for multiplicative hashing (The Art of Computer Programming 3, 6.4; from memory).
"""

_MULTIPLIER = 2654435761
_COUNTS_PER_SAMPLE = 7


def pattern_torque(index: int) -> int:
    """Torque of a sample in counts, -2^23 to 2^23 - 1."""
    high = ((index * _MULTIPLIER) & 0xFFFFFFFF) >> 8
    return high - 0x1000000 if high & 0x800000 else high


def pattern_encoder(index: int) -> int:
    """Unwrapped encoder counts of a sample."""
    return index * _COUNTS_PER_SAMPLE
