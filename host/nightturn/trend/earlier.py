"""What is known of a unit's figures from before its run, as the shell found it in the store and handed it to the core."""

from collections.abc import Mapping

import msgspec

from nightturn.trend.fits import Point
from nightturn.trend.learning import VariantSlope


class Earlier(msgspec.Struct, frozen=True):
    """The life of a unit up to a run, as far as the course of its figures rests on it.

    Attributes:
        said: what is used and what is not, sentences; whole: whether all that is stored could be read.
        strokes: of its life before the run.
        night: the number of the run's night among those of `points`.
        points: by direction, the cycles behind the last known step, oldest first.
        variant_slopes: what a kelvin does to the figures of other units of its variant.
        charts: by direction, the packed watch that each of `trend.series.FOLLOWED` begins with behind that step; empty without one.
    """

    said: str
    whole: bool = True
    strokes: int = 0
    night: int = 0
    points: Mapping[int, tuple[Point, ...]] = {}
    charts: Mapping[int, tuple[bytes, ...]] = {}
    variant_slopes: tuple[VariantSlope, ...] = ()

    @property
    def directions(self) -> tuple[int, ...]:
        """Those of which anything is known."""
        return tuple(sorted({*self.points, *self.charts}))


EARLIER = msgspec.msgpack.Decoder(Earlier)
ALONE = "each figure is watched from its first cycles on alone"


def first_night(unit: str, left_out: str = "") -> Earlier:
    """Nothing is stored of it, or nothing that can be read: `left_out` says what."""
    return Earlier(f"no earlier night of {unit} is stored: {ALONE}{left_out}", whole=not left_out)


def unreadable(unit: str, why: str) -> Earlier:
    """Nobody can say what is stored of it."""
    return Earlier(f"the earlier nights of {unit} cannot be read: {why}; {ALONE}", whole=False)
