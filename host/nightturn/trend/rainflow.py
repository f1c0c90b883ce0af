"""Rainflow: closed cycles of a row of turning points by range and mean, with what is still open carried on."""

import msgspec
import numpy as np

from nightturn.model.tiles import Float64s, Int32s, Int64s
from nightturn.trend.turning_points import ANY, COUNTS_MAX, as_pairs, close_onto, nested

CLASSES = 64
"""Classes between the lowest and the highest level; outside them lies one more on either side."""
RESIDUE_MAX = 4096
"""Turning points that wait for their cycle to close. Only movements that grow, or die away, without end need more than some tens."""
_BY_PASSES = RESIDUE_MAX // 8  # with less room left, points come one by one
_RANGES = CLASSES + 1
_MEANS = CLASSES + 2


class Classes(msgspec.Struct, frozen=True):
    """The classes of level, range and mean of one channel; all have one width.

    Attributes:
        low_counts: lower edge of the first class.
        step_counts: width of a class.
    """

    low_counts: int
    step_counts: int

    def __post_init__(self) -> None:
        top = self.low_counts + CLASSES * self.step_counts
        if self.step_counts < 1 or not -COUNTS_MAX < self.low_counts < top <= COUNTS_MAX:
            raise ValueError(
                f"{CLASSES} classes of {self.step_counts} counts from {self.low_counts} on: give a width of at least one "
                f"count, with all of them within ±{COUNTS_MAX}"
            )

    @property
    def edges_counts(self) -> Int64s:
        """The 65 edges: lower edges of the classes, and the upper one of the last."""
        return self.low_counts + self.step_counts * np.arange(CLASSES + 1, dtype=np.int64)

    def of(self, counts: Int32s) -> Int64s:
        """How many edges lie at or below each count: 0 below all classes, 1 to 64 in one, 65 above."""
        place = (counts - np.int64(self.low_counts)) // self.step_counts
        classes: Int64s = np.minimum(np.maximum(place + 1, 0), CLASSES + 1)
        return classes


class Spectrum(msgspec.Struct, frozen=True):
    """Ranges with their numbers of cycles, at the time of a question.

    Of closed cycles the class is known, so that a range lies between `range_low` and `range_high`; what is open, as half cycles or
    as cycles that the newest extreme would close, is exact.

    Attributes:
        ranges, range_low, range_high: in counts; `range_high` is infinite above the last class.
        means: in counts, the middle of the class; beyond the classes their outermost edge.
        mean_slack: how far the true mean may lie from that; infinite beyond the classes.
        cycles: in halves.
    """

    ranges: Float64s
    range_low: Float64s
    range_high: Float64s
    means: Float64s
    mean_slack: Float64s
    cycles: Float64s


class Rainflow(msgspec.Struct):
    """Closed cycles of one channel, and the turning points whose cycles are not closed yet.

    Four-point counting (the inner range of four turning points in a row is a cycle when neither neighbour is smaller; C. Amzallag
    et al., International Journal of Fatigue 16, 1994, 287-293, from memory). With the residue counted as half cycles it gives
    the counts of ASTM E1049-85, 5.4.4, for which see the tests. Half cycles are never in this state.

    Attributes:
        classes: of ranges, means and levels.
        residue: open turning points, int32, at most `RESIDUE_MAX`.
        matrix: (65, 66) int64, closed cycles by class of range (0 to 63, and above) and of mean (below, 64, above).
        crossings: (65,) int64, how often closed cycles rise through each edge; they fall through it as often.
        closed_early: cycles that were closed because the residue was full, each with the larger of the two ranges it stands
            for; the counts are then no more exact, and never too small.
    """

    classes: Classes
    residue: Int32s
    matrix: Int64s
    crossings: Int64s
    closed_early: int = 0

    @classmethod
    def start(cls, classes: Classes) -> "Rainflow":
        """Before the first turning point."""
        return cls(
            classes,
            np.zeros(0, np.int32),
            np.zeros((_RANGES, _MEANS), np.int64),
            np.zeros(CLASSES + 1, np.int64),
        )

    @property
    def closed(self) -> int:
        """Closed cycles so far."""
        return int(self.matrix.sum())

    def add(self, points: Int32s) -> None:
        """Take the next turning points, alternately low and high, following those before."""
        while len(points):
            room = RESIDUE_MAX - len(self.residue)
            if room >= _BY_PASSES:
                # However so many points lie, the residue cannot overflow: passes do what a stack would.
                taken, points = points[:room], points[room:]
                self.residue, low, high = nested(np.concatenate([self.residue, taken]), ANY)
            else:
                taken, points = points[:_BY_PASSES], points[_BY_PASSES:]
                low, high = self._with_little_room(taken)
            self._count(low, high)

    def merge(self, later: "Rainflow") -> None:
        """Add the closed cycles of a later part; its residue has to come through `add`, because it may begin in mid-movement."""
        self.matrix = self.matrix + later.matrix
        self.crossings = self.crossings + later.crossings
        self.closed_early += later.closed_early

    def _with_little_room(self, points: Int32s) -> tuple[Int32s, Int32s]:
        stack: list[int] = self.residue.tolist()
        pairs: list[tuple[int, int]] = []
        for point in points.tolist():
            pairs += close_onto(stack, [point], ANY)
            if len(stack) > RESIDUE_MAX:
                pairs.append(_closed_early(stack))
                self.closed_early += 1
        self.residue = np.array(stack, np.int32)
        one, other = as_pairs(pairs)
        return np.minimum(one, other), np.maximum(one, other)

    def _count(self, low: Int32s, high: Int32s) -> None:
        if len(low) == 0:
            return
        step = self.classes.step_counts
        ranges = np.minimum((high - low) // step, CLASSES)
        twice = low + high  # within 32 bits
        places = (twice - np.int64(2 * self.classes.low_counts)) // (2 * step)
        means = np.minimum(np.maximum(places + 1, 0), CLASSES + 1)
        cells = np.bincount(ranges * _MEANS + means, minlength=_RANGES * _MEANS)
        self.matrix = self.matrix + cells.reshape(_RANGES, _MEANS)
        self.crossings = self.crossings + _through(self.classes, low, high)

    def spectrum(self, gate_counts: int, newest: tuple[int, ...] = ()) -> Spectrum:
        """Closed cycles, and the residue with the newest extreme as half cycles.

        Args:
            gate_counts: least movement of the turning points, so that the first class begins there.
            newest: the extreme that is not yet confirmed.
        """
        points = self._open(newest)
        left, whole_low, whole_high = nested(points, ANY)
        low = np.concatenate([whole_low, np.minimum(left[1:], left[:-1])])
        high = np.concatenate([whole_high, np.maximum(left[1:], left[:-1])])
        exact = (high - low).astype(np.float64)
        at_range, at_mean = np.nonzero(self.matrix)
        step = self.classes.step_counts
        least = np.maximum(at_range * step, gate_counts).astype(np.float64)
        most = (at_range * step + step - 1).astype(np.float64)
        middle = np.where(at_range == CLASSES, least, (least + most) / 2)
        most[at_range == CLASSES] = np.inf
        beyond = (at_mean == 0) | (at_mean > CLASSES)
        inside = (at_mean - 1) * step + (2 * step - 1) / 4
        means = self.classes.low_counts + np.where(beyond, np.where(at_mean == 0, 0, CLASSES * step), inside)
        closed = self.matrix[at_range, at_mean].astype(np.float64)
        return Spectrum(
            ranges=np.concatenate([middle, exact]),
            range_low=np.concatenate([least, exact]),
            range_high=np.concatenate([most, exact]),
            means=np.concatenate([means, (low + high) / 2]),
            mean_slack=np.concatenate([np.where(beyond, np.inf, (2 * step - 1) / 4), np.zeros(len(low))]),
            cycles=np.concatenate([closed, np.ones(len(whole_low)), np.full(max(len(left) - 1, 0), 0.5)]),
        )

    def through_edges(self, newest: tuple[int, ...] = ()) -> tuple[Int64s, Int64s]:
        """How often the turning points rise through each of the 65 edges, and how often they fall through it.

        Rising through an edge is to come from a count below it to one at or above it.
        """
        points = self._open(newest)
        one, other = points[:-1], points[1:]
        rises = other > one
        up = self.crossings + _through(self.classes, one[rises], other[rises])
        down = self.crossings + _through(self.classes, other[~rises], one[~rises])
        return up, down

    def _open(self, newest: tuple[int, ...]) -> Int32s:
        return np.concatenate([self.residue, np.array(newest, np.int32)])


def _closed_early(stack: list[int]) -> tuple[int, int]:
    """Take the two points at that end of a full residue where ranges are smallest; the two points of the larger of the ranges that go."""
    if abs(stack[1] - stack[0]) < abs(stack[-1] - stack[-2]):
        one, other = stack[1:3]
        del stack[:2]
    else:
        one, other = stack[-3:-1]
        del stack[-2:]
    return one, other


def _through(classes: Classes, low: Int32s, high: Int32s) -> Int64s:
    """How many of these movements go through each edge."""
    ends = np.bincount(classes.of(low), minlength=CLASSES + 2) - np.bincount(
        classes.of(high), minlength=CLASSES + 2
    )
    return ends.cumsum()[: CLASSES + 1]
