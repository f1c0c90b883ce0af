"""Encoder counts to angle: unwrapped counts, the encoder's resolution and its declared sense."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.errors import CalibrationError


@dataclass(frozen=True, slots=True)
class AngleScale:
    """Scale of an encoder.

    Attributes:
        counts_per_rev: counts in one mechanical revolution.
        sense: -1 when rising counts are a falling angle; the sense multiplies and moves nothing else.
    """

    counts_per_rev: int
    sense: int = 1

    def __post_init__(self) -> None:
        if self.counts_per_rev < 1:
            raise CalibrationError(
                f"encoder: counts_per_rev is {self.counts_per_rev}; give the counts of one revolution"
            )
        if self.sense not in {1, -1}:
            raise CalibrationError(f"encoder: sense is {self.sense}; give 1 or -1")

    @property
    def lsb_rad(self) -> float:
        """Radian per count, signed."""
        return self.sense * math.tau / self.counts_per_rev

    def to_rad(self, counts: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Angle of unwrapped counts, rad, float64, same shape."""
        return counts.astype(np.float64) * self.lsb_rad
