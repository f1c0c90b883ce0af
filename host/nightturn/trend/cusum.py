"""One figure of one unit watched for a change, value by value, with a stated rate of false alarms.

The state is small, does not grow, and any split of the values gives the same. Each value becomes a score (`prewhiten`),
which is added to two sums, one upwards and one downwards (E. S. Page, Biometrika 41, 1954, 100-115). A sum alarms beyond
the threshold that `run_length.Budget` works out. What is known to change a level, such as a remount, begins the sums and
the level anew without an alarm. An odd value, beyond `CLIP`, counts as that and teaches nothing: one odd cycle alarms
alone only where the threshold is very low, and does not widen the scatter that later values are held against.
The exponentially weighted mean is for a picture and judges nothing.
"""

import enum
import math

import msgspec

from nightturn.model.limits import exceeds
from nightturn.model.quantities import fixed
from nightturn.trend.prewhiten import ALIKE_MAX, Prewhitener
from nightturn.trend.run_length import CLIP, REFERENCE

WATCHED_FROM = 30
"""Values before a unit is watched: fewer, and the rate of false alarms is off by more than a tenth."""
LEVEL_FROM = 10
"""Values of a new level, where scatter and resemblance are known from before."""
ODD_IN_A_ROW = 3
"""Odd values one after the other that end what was learned so far; before the sums run, nothing else would."""
WEIGHT = 0.2
"""Of the newest value in the exponentially weighted mean (common practice, no source)."""


class Cause(enum.StrEnum):
    """Why sums and level begin anew."""

    START = "the first value"
    ALARM = "an alarm"
    REMOUNT = "a remount"
    ZERO = "a change of zero"
    RIG = "a swapped rig"
    JUMPED = "a jump before it was watched"


KEEPS_SCATTER = frozenset({Cause.REMOUNT, Cause.ZERO})
"""After these only the level is another."""


class Side(enum.StrEnum):
    """Which way a figure has changed."""

    UP = "up"
    DOWN = "down"


class Design(msgspec.Struct, frozen=True):
    """What a chart is held to; `threshold` and `reference` in standard deviations of a score."""

    threshold: float
    reference: float = REFERENCE
    watched_from: int = WATCHED_FROM


class Alarm(msgspec.Struct, frozen=True):
    """A change was seen at value `at`, counted from 1; the sum has grown since value `since`, a first guess of where it began."""

    side: Side
    at: int
    since: int
    sum: float
    threshold: float


class Reading(msgspec.Struct, frozen=True):
    """A chart after a value: its score, the two sums, the mean for a picture; why it is not watched, in words, or ""."""

    score: float | None
    up: float
    down: float
    ewma: float
    why_not: str
    alarm: Alarm | None


class Chart(msgspec.Struct):
    """The state of one figure of one unit in one direction.

    Attributes:
        count: values that were given, from the first.
        up, down: the two sums; `up_since`, `down_since`: the first value of each.
        odd: odd values in a row.
        cause: what began this level, at value `began`.
    """

    design: Design
    series: Prewhitener = msgspec.field(default_factory=Prewhitener)
    count: int = 0
    up: float = 0.0
    down: float = 0.0
    up_since: int = 0
    down_since: int = 0
    ewma: float | None = None
    odd: int = 0
    cause: Cause = Cause.START
    began: int = 1

    def add(self, value: float) -> Reading:
        """One value more, in the order of the cycles.

        Raises:
            ValueError: the value is no number; a cycle without a value is `missed`.
        """
        return self.take(value, self.series.score(value))

    def take(self, value: float, score: float | None) -> Reading:
        """The same with the score that `series` gives it.

        Raises:
            ValueError: as above.
        """
        if not math.isfinite(value):
            raise ValueError(
                f"value {value} of a chart: give a number, or call missed() for a cycle without one"
            )
        self.count += 1
        self.ewma = value if self.ewma is None else self.ewma + WEIGHT * (value - self.ewma)
        shown = self.ewma
        why_not = self.why_not
        if score is not None and abs(score) > CLIP:
            self.odd += 1
            self.series.gap()
        else:
            self.odd = 0
            self.series.add(value)
        if why_not:
            if self.odd >= ODD_IN_A_ROW:
                self.restart(Cause.JUMPED)
            return Reading(score, 0.0, 0.0, shown, why_not, None)
        self._sum(0.0 if score is None else min(max(score, -CLIP), CLIP))
        alarm, up, down = self._alarm(), self.up, self.down
        if alarm is not None:
            self.restart(Cause.ALARM)
        return Reading(score, up, down, shown, "", alarm)

    def missed(self) -> None:
        """A cycle without a value: the next one says less about its neighbours."""
        self.series.gap()

    def restart(self, cause: Cause) -> None:
        """Sums and level begin anew with the next value; after a remount or a change of zero the scatter stays known."""
        if cause in KEEPS_SCATTER:
            self.series.new_level()
        else:
            self.series = Prewhitener()
        self.up = self.down = 0.0
        self.odd = 0
        self.ewma = None
        self.cause, self.began = cause, self.count + 1

    @property
    def why_not(self) -> str:
        """Why a change would not be seen at the next value, in words; empty when it would."""
        needed = self.design.watched_from
        there = self.series.count_all
        if there < needed:
            own = self.series.count
            since = f"since {self.cause}" if own == there else f"{own} of them since {self.cause}"
            return f"not watched yet: {there} of {needed} values {since}"
        needed = min(needed, LEVEL_FROM)
        if self.series.count < needed:
            return f"not watched yet: {self.series.count} of {needed} values since {self.cause}"
        if not self.series.known:
            return f"not watched: all {there} values are equal"
        return ""

    @property
    def remark(self) -> str:
        """What puts the stated rate in doubt, in words, or empty."""
        fit = self.series.fit
        if fit is None or fit[2] <= ALIKE_MAX:
            return ""
        return f"each value is much like the one before it ({fixed(fit[2], 2)}): more false alarms than stated can come"

    def _sum(self, score: float) -> None:
        if self.up == 0.0:
            self.up_since = self.count
        if self.down == 0.0:
            self.down_since = self.count
        self.up = cusum(self.up, score, self.design.reference)
        self.down = cusum(self.down, -score, self.design.reference)

    def _alarm(self) -> Alarm | None:
        threshold = self.design.threshold
        for side, total, since in (
            (Side.UP, self.up, self.up_since),
            (Side.DOWN, self.down, self.down_since),
        ):
            if total > threshold - 1.0 and exceeds(total, threshold):
                return Alarm(side, self.count, since, total, threshold)
        return None


def cusum(total: float, value: float, reference: float) -> float:
    """A one-sided sum with a value more, in the units of the value."""
    return max(0.0, total + value - reference)
