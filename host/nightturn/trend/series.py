"""One figure in one direction of turning, cycle by cycle: what the course of a figure is judged from."""

from dataclasses import dataclass, field

from nightturn.estimation.figures import FIGURES, unit_of
from nightturn.estimation.turns import Bools
from nightturn.model.tiles import Float64s, Int64s

FOLLOWED = tuple(name for name, spec in FIGURES.items() if spec.followed)
"""The figures whose course is followed; those of rated torque move with them."""
NEAR = ("bearing", "housing", "winding", "ambient")
"""Whose temperature friction follows most, the nearest first."""


@dataclass(frozen=True, slots=True)
class Series:
    """One figure in one direction of turning, of the complete cycles in which it is `ok`, in order of time.

    Attributes:
        figure, direction: which; +1 or -1 in the declared sense.
        strokes: of the unit's life before the cycle.
        ts: when the cycle began, ns since 1970 UTC.
        value: in the figure's unit; u: standard uncertainty of the cycle's own scatter.
        degc: temperature nearest to the bearing, NaN where none was read.
        stretch: how many known steps lie before it.
        night: number of the night from 0; cycle_no: number of the cycle in its night.
        left_out: cycles whose value is not `ok`.
    """

    figure: str
    direction: int
    strokes: Float64s = field(repr=False)
    ts: Int64s = field(repr=False)
    value: Float64s = field(repr=False)
    u: Float64s = field(repr=False)
    degc: Float64s = field(repr=False)
    stretch: Int64s = field(repr=False)
    night: Int64s = field(repr=False)
    cycle_no: Int64s = field(repr=False)
    left_out: int

    @property
    def unit(self) -> str:
        """Of value and u."""
        return unit_of(self.figure)

    def part(self, chosen: Bools) -> "Series":
        """The cycles where `chosen` is true."""
        return Series(
            self.figure, self.direction, self.strokes[chosen], self.ts[chosen], self.value[chosen],
            self.u[chosen], self.degc[chosen], self.stretch[chosen], self.night[chosen], self.cycle_no[chosen], 0,
        )  # fmt: skip

    @property
    def latest(self) -> "Series":
        """What came behind the last known step."""
        return self.part(self.stretch == self.stretch.max()) if len(self.value) else self
