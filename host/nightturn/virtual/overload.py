"""The overload memory: extremes of torque since the host last said that it has recorded them.

What a reply has told is kept apart until the host names that reply, so that a lost reply loses nothing.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from nightturn_protocol import messages as wire

Int32s = npt.NDArray[np.int32]


@dataclass(slots=True)
class Stretch:
    """Samples and their extremes; with 0 samples the rest says nothing."""

    samples: int = 0
    since_tick: int = 0
    min_tick: int = 0
    max_tick: int = 0
    torque_min: int = 0
    torque_max: int = 0

    def join(self, later: "Stretch") -> None:
        """Take in what came after; of two equal extremes the first one stays."""
        if not self.samples:
            self.since_tick = later.since_tick
        if later.samples and (not self.samples or later.torque_min < self.torque_min):
            self.torque_min, self.min_tick = later.torque_min, later.min_tick
        if later.samples and (not self.samples or later.torque_max > self.torque_max):
            self.torque_max, self.max_tick = later.torque_max, later.max_tick
        self.samples += later.samples


@dataclass(slots=True)
class OverloadMemory:
    """What has been told by reply `memory_no`, and what came since."""

    told: Stretch = field(default_factory=Stretch)
    since: Stretch = field(default_factory=Stretch)
    memory_no: int = 0

    def take(self, raw: Int32s, first_tick: int, ticks: int) -> None:
        """Samples that were latched every so many ticks."""
        low, high = int(raw.argmin()), int(raw.argmax())
        later = Stretch(
            len(raw),
            first_tick,
            first_tick + low * ticks,
            first_tick + high * ticks,
            int(raw[low]),
            int(raw[high]),
        )
        self.since.join(later)

    def read(self, seen_no: int, tick: int) -> wire.ExtremesReply:
        """Number and tell everything but what the host has recorded: that is forgotten if it is the newest reply."""
        if seen_no == self.memory_no:
            self.told = Stretch()
        self.told.join(self.since)
        self.since = Stretch()
        self.memory_no = (self.memory_no + 1) & 0xFFFFFFFF or 1
        told = self.told
        return wire.ExtremesReply(
            tick=tick,
            samples=told.samples,
            since_tick=told.since_tick,
            min_tick=told.min_tick,
            max_tick=told.max_tick,
            torque_min=told.torque_min,
            torque_max=told.torque_max,
            memory_no=self.memory_no,
        )
