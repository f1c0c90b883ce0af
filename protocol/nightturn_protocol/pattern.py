"""The test pattern: torque and encoder that follow from the sample index alone.

A device that streams PATTERN sends these numbers, so both ends know every sample and any loss or wrong byte shows. The
multiplier is odd, so no torque value comes twice within 2^24 samples.
"""

_TORQUE_MULTIPLIER = 40503
_COUNTS_PER_SAMPLE = 37


def pattern_torque(index: int) -> int:
    """Torque of a sample in counts, -2^23 to 2^23 - 1."""
    low = (index * _TORQUE_MULTIPLIER) & 0xFFFFFF
    return low - 0x1000000 if low & 0x800000 else low


def pattern_encoder(index: int) -> int:
    """Unwrapped encoder counts of a sample."""
    return index * _COUNTS_PER_SAMPLE
