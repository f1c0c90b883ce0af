"""Tiles: runs of samples in index order, the unit that scans and folds work on."""

import msgspec
import numpy as np
import numpy.typing as npt

Int32s = npt.NDArray[np.int32]
Int64s = npt.NDArray[np.int64]
UInt8s = npt.NDArray[np.uint8]
UInt16s = npt.NDArray[np.uint16]
Float64s = npt.NDArray[np.float64]


class Tile(msgspec.Struct, frozen=True):
    """Consecutive samples of one epoch, without a gap inside; arrays are never written after construction.

    A msgspec struct rather than a dataclass, whose frozen fields take longer to set than the arrays to cut.

    Attributes:
        epoch: counts device and host boots.
        index: device sample number of the first sample.
        tick: device clock at the first sample; sample i is at `tick + i * ticks_per_sample`.
        ticks_per_sample: nominal, exact.
        raw: torque, ADC counts, int32.
        encoder: unwrapped encoder counts, int64.
        flags: `nightturn_protocol.messages.SampleFlag` bits, uint8.
        inputs: input word latched with each sample, uint16.
    """

    epoch: int
    index: int
    tick: int
    ticks_per_sample: int
    raw: Int32s
    encoder: Int64s
    flags: UInt8s
    inputs: UInt16s

    @property
    def end(self) -> int:
        """Index after the last sample."""
        return self.index + len(self.raw)

    def part(self, start: int, stop: int) -> "Tile":
        """The samples with index in [start, stop), as views."""
        a, b = start - self.index, stop - self.index
        return Tile(
            self.epoch,
            start,
            self.tick + a * self.ticks_per_sample,
            self.ticks_per_sample,
            self.raw[a:b],
            self.encoder[a:b],
            self.flags[a:b],
            self.inputs[a:b],
        )
