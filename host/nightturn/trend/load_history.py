"""What one channel has been through: cycles, levels, overloads and time at each level, in integers and for any split."""

import msgspec
import numpy as np

from nightturn.model.tiles import Float64s, Int32s, Int64s
from nightturn.trend.rainflow import CLASSES, RESIDUE_MAX, Classes, Rainflow, Spectrum
from nightturn.trend.turning_points import AT_ONCE, COUNTS_MAX, TurningPoints, checked


class LoadSettings(msgspec.Struct, frozen=True):
    """How the counts of one channel are taken.

    Attributes:
        gate_counts: least movement that is a cycle; well above the noise, or the noise is counted.
        classes: of ranges, means and levels.
        over_counts: an overload begins at or above this level; None when there is none.
        under_counts: one to the other side begins at or below this level; None when there is none.
        release_counts: how far the counts have to come back from that level before the next overload can begin.
        rate_hz: samples a second.
    """

    gate_counts: int
    classes: Classes
    rate_hz: float
    over_counts: int | None = None
    under_counts: int | None = None
    release_counts: int = 1

    def __post_init__(self) -> None:
        levels = [level for level in (self.over_counts, self.under_counts) if level is not None]
        if any(abs(level) >= COUNTS_MAX for level in levels):
            raise ValueError(f"overload levels {levels}: they must lie within ±{COUNTS_MAX - 1} counts")
        if not 1 <= self.release_counts < COUNTS_MAX:
            raise ValueError(
                f"release_counts is {self.release_counts}: give 1 to {COUNTS_MAX - 1}, above the noise, or one overload is "
                "counted many times"
            )
        if not 0.0 < self.rate_hz < float("inf"):
            raise ValueError(f"rate_hz is {self.rate_hz}: give samples a second, above 0")


class Excursions(msgspec.Struct):
    """How often and how long one side of a level was reached.

    Attributes:
        count: times that it was reached; it counts again only after the counts have come back by the release.
        samples: samples at or beyond the level.
        first, last: the first and the newest sample that says something: +1 at or beyond the level, -1 back by the release, 0
            none yet.
    """

    count: int = 0
    samples: int = 0
    first: int = 0
    last: int = 0

    def add(self, excess: Int32s, release: int) -> None:
        """Take consecutive samples, as counts beyond the level (0 and more are an overload)."""
        reached = int(excess.max()) >= 0
        if not reached and self.last < 0:
            return
        marks = (excess >= 0).astype(np.int8)
        self.samples += int(np.count_nonzero(marks))
        marks -= excess <= -release
        said = marks[marks != 0]
        if len(said) == 0:
            return
        self.count += int(np.count_nonzero((said[1:] > 0) & (said[:-1] < 0)))
        self.count += int(said[0] > 0 >= self.last)
        self.first = self.first or int(said[0])
        self.last = int(said[-1])

    def merge(self, later: "Excursions") -> None:
        """Add those of the samples that follow."""
        self.count += later.count - int(self.last > 0 and later.first > 0)  # one that lasted over the cut
        self.samples += later.samples
        self.first = self.first or later.first
        self.last = later.last or self.last


class LoadHistory(msgspec.Struct):
    """The load history of one channel: integers only, bounded, and the same however its samples were split.

    Two consecutive parts that were counted separately merge to the state of both counted in one go, as long as no residue
    overflowed (`is_exact`). Samples that are missing are left out: the movement over a hole counts as one, from the last sample
    before to the first behind, and `missing` says how many there were.

    Memory: the residue has at most 4096 points, everything else a fixed size, some 55 kB in all.

    Of a channel of angle counts with the least stroke as gate, `turns` counts the strokes that have begun; of a channel of speeds with
    a level at which the shaft moves and a release down to rest, `over.count` counts its starts (a reversal is one).

    Attributes:
        settings: how the counts are taken.
        samples: samples so far.
        missing: samples that were lost before or between them, as far as the caller knew.
        lowest, highest: extreme counts; low above high while there is no sample.
        at_level: (66,) int64, samples below all classes, in each of the 64, and above.
        turning: finds turning points, with the newest extreme.
        cycles: closed cycles and the residue.
        over, under: overloads to either side.
    """

    settings: LoadSettings
    at_level: Int64s
    turning: TurningPoints
    cycles: Rainflow
    over: Excursions
    under: Excursions
    samples: int = 0
    missing: int = 0
    lowest: int = COUNTS_MAX
    highest: int = -COUNTS_MAX

    @classmethod
    def start(cls, settings: LoadSettings) -> "LoadHistory":
        """Before the first sample.

        Raises:
            ValueError: the gate is no movement.
        """
        return cls(
            settings=settings,
            at_level=np.zeros(CLASSES + 2, np.int64),
            turning=TurningPoints.start(settings.gate_counts),
            cycles=Rainflow.start(settings.classes),
            over=Excursions(),
            under=Excursions(),
        )

    def add(self, counts: Int32s | Int64s, missing: int = 0) -> None:
        """Take consecutive samples.

        Args:
            counts: integer counts of the channel.
            missing: samples that are known to be lost just before these.

        Raises:
            TypeError, ValueError: these are no counts (see `turning_points.checked`); nothing is taken then.
        """
        if missing < 0:
            raise ValueError(
                f"missing is {missing}: give the number of samples that were lost before these, 0 or more"
            )
        counts = checked(counts)
        self.missing += missing
        for at in range(0, len(counts), AT_ONCE):
            self._take(counts[at : at + AT_ONCE])

    def _take(self, counts: Int32s) -> None:
        settings = self.settings
        self.samples += len(counts)
        self.lowest = min(self.lowest, int(counts.min()))
        self.highest = max(self.highest, int(counts.max()))
        self.at_level = self.at_level + np.bincount(settings.classes.of(counts), minlength=CLASSES + 2)
        if settings.over_counts is not None:
            self.over.add(counts - np.int32(settings.over_counts), settings.release_counts)
        if settings.under_counts is not None:
            self.under.add(np.int32(settings.under_counts) - counts, settings.release_counts)
        self.cycles.add(self.turning.add(counts))

    def merge(self, later: "LoadHistory") -> None:
        """Add the history of the samples that follow these.

        Cycles that are closed in the later part are so in the whole. Its open points go through the gate once more, because its
        first one may lie in the middle of a movement that began before.

        Raises:
            ValueError: the parts were not taken with the same settings.
        """
        if self.settings != later.settings:
            raise ValueError(
                f"only histories with the same settings can be merged: {self.settings} here, {later.settings} there"
            )
        self.samples += later.samples
        self.missing += later.missing
        self.lowest, self.highest = min(self.lowest, later.lowest), max(self.highest, later.highest)
        self.at_level = self.at_level + later.at_level
        self.over.merge(later.over)
        self.under.merge(later.under)
        self.cycles.merge(later.cycles)
        open_points = [*later.cycles.residue.tolist(), *later.turning.extremes]
        self.cycles.add(self.turning.add(np.array(open_points, np.int32)))

    @property
    def turns(self) -> int:
        """Turning points that are confirmed: two for each closed cycle, and those of the residue."""
        return 2 * self.cycles.closed + len(self.cycles.residue)

    @property
    def is_exact(self) -> bool:
        """Whether no cycle had to be closed early because the residue was full."""
        return self.cycles.closed_early == 0

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a reader of its figures has to know."""
        found = [] if self.samples else ["no sample has been counted"]
        if not self.is_exact:
            found.append(
                f"{self.cycles.closed_early} cycles were closed early, because more than {RESIDUE_MAX} turning points were "
                "open; they count with a range that is rather too large"
            )
        outside = int(self.at_level[0] + self.at_level[-1])
        if outside:
            found.append(
                f"{outside} of {self.samples} samples are outside the classes; take wider classes to see their levels"
            )
        above = int(self.cycles.matrix[-1].sum())
        if above:
            found.append(f"{above} cycles have a range above all classes; how large they are is not known")
        if self.missing:
            found.append(
                f"{self.missing} samples are missing beside {self.samples}; what they held is not counted"
            )
        return tuple(found)

    def spectrum(self) -> Spectrum:
        """Closed cycles by class, and as half cycles what is open now."""
        return self.cycles.spectrum(self.settings.gate_counts, self.turning.newest)

    def through_edges(self) -> tuple[Int64s, Int64s]:
        """How often the counts rose through each edge of the classes, and fell, apart from movements within the gate."""
        return self.cycles.through_edges(self.turning.newest)

    def seconds_at_level(self) -> Float64s:
        """Seconds below all classes, in each of the 64, and above: samples by the rate."""
        return self.at_level / self.settings.rate_hz
