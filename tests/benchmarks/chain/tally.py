"""What was counted of each story, and the bounds beside it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import binom
from tests.benchmarks.chain.following import Seen, Told, causes_at, naive
from tests.benchmarks.chain.nights import CYCLE_S, Night

from nightturn.evidence.judge import NOTHING_FITS, NOTHING_MOVED, Finding
from nightturn.trend.cusum import WATCHED_FROM

SILENT_MOST_PCT = 5.0
RIGHT_LEAST_PCT, WRONG_MOST_PCT = 80.0, 5.0
PLACED_LEAST = 0.88
SLOPE_LEAST, SLOPE_MOST = 0.90, 0.99
CHANCE = 0.999
NAIVE_SD = 4.0
"""Of a raw value off the mean of the first 30: one in 16,000 of normal values."""
MOVED_K = 0.3
"""A temperature that has moved by so much between two groups may be named for it."""
CABLE = "cable"


@dataclass
class Count:
    """So many of so many."""

    hits: int = 0
    of: int = 0

    def add(self, hit: bool) -> None:
        """One more."""
        self.hits += hit
        self.of += 1

    def join(self, other: "Count") -> None:
        """Those of another count as well."""
        self.hits += other.hits
        self.of += other.of

    @property
    def share(self) -> float:
        """Hits in all; NaN of none."""
        return self.hits / self.of if self.of else float("nan")

    @property
    def pct(self) -> float:
        """The same in per cent."""
        return 100 * self.share


@dataclass
class Tally:
    """One story.

    Attributes:
        said: nights with a sentence where nothing is to be said: before the onset, or at all where nothing begins.
        suspected: nights in which the watch saw something then.
        seen: nights with a sentence behind the onset; delays: of these, cycles from the onset to the first sentence.
        placed: sets that hold the onset; sloped: intervals that hold the true slope.
        right, wrong: nights; named: what was named wrongly.
        naive_said: nights in which a fixed threshold on raw values fired too early or at all; naive_delays: of the others.
    """

    story: str
    begins: bool
    said: Count = field(default_factory=Count)
    suspected: Count = field(default_factory=Count)
    seen: Count = field(default_factory=Count)
    delays: list[int] = field(default_factory=list)
    placed: Count = field(default_factory=Count)
    sloped: Count = field(default_factory=Count)
    right: Count = field(default_factory=Count)
    wrong: Count = field(default_factory=Count)
    named: set[str] = field(default_factory=set)
    naive_said: Count = field(default_factory=Count)
    naive_delays: list[int] = field(default_factory=list)

    def add(self, night: Night, seen: Seen) -> None:
        """A night and what the chain had to say of it."""
        onset = night.story.onset if night.story.onset is not None else night.story.cycles
        suspects = [at for ats in seen.suspected.values() for at in ats]
        self.said.add(any(each.at < onset for each in seen.told))
        self.suspected.add(any(at < onset for at in suspects))
        found = naive(night, WATCHED_FROM, NAIVE_SD)
        self.naive_said.add(any(at < onset for at in found.values()))
        self._slopes(night, seen)
        # Cycles with a broken cable are not judged, so no figure changes; what their jumps say is asked for.
        if self.story.startswith(CABLE):
            self._causes(night, causes_at(night, onset), onset)
        elif night.story.right or seen.told:
            self._causes(night, seen.findings, onset)
        if self.begins:
            self._changes(seen, onset, found.values())

    def join(self, other: "Tally") -> None:
        """The nights of another tally of the story as well."""
        for name in ("said", "suspected", "seen", "placed", "sloped", "right", "wrong", "naive_said"):
            getattr(self, name).join(getattr(other, name))
        self.delays += other.delays
        self.naive_delays += other.naive_delays
        self.named |= other.named

    def _changes(self, seen: Seen, onset: int, naively: Iterable[int]) -> None:
        later = [at for at in naively if at >= onset]
        self.naive_delays += [min(later) - onset] if later else []
        told = [each for each in seen.told if each.at >= onset]
        self.seen.add(bool(told))
        if told:
            self.delays.append(min(each.at for each in told) - onset)
        for each in told:
            self.placed.add(_holds(each, onset))

    def _slopes(self, night: Night, seen: Seen) -> None:
        """Where nothing begins every slope is nothing; else that of the figure which ramps, behind its change."""
        if not self.begins:
            for _, rate in seen.rates.values():
                self.sloped.add(abs(rate.slope) <= rate.half)
            return
        for (figure, _), (behind, rate) in seen.rates.items():
            if figure == night.story.ramps and behind > night.story.cycles // 2:
                self.sloped.add(abs(rate.slope - night.slope_nm) <= rate.half)

    def _causes(self, night: Night, found: Sequence[Finding], onset: int) -> None:
        named = {each.cause for each in found} - {NOTHING_FITS, NOTHING_MOVED}
        strange = named - night.story.right - night.story.fine - _temperatures(night, onset)
        if night.story.right:
            self.right.add(bool(named & night.story.right))
        self.wrong.add(bool(strange))
        self.named |= strange

    @property
    def delay_h(self) -> float:
        """Median from the onset to the first sentence, nights without one taken for longer than all, hours."""
        return _median_h(self.delays, self.seen.of)

    @property
    def naive_delay_h(self) -> float:
        """The same of the fixed threshold."""
        return _median_h(self.naive_delays, self.seen.of)

    def broken(self, rate: float) -> Iterator[str]:
        """Bounds that do not hold; `rate` is of sentences a night where nothing happens."""
        nights = self.said.of
        if self.story == "none":
            most = int(binom.ppf(CHANCE, nights, rate))
            if self.said.hits > most:
                yield f"{self.said.hits} nights with a false sentence, at most {most}"
        elif self.said.hits > within(SILENT_MOST_PCT / 100, nights):
            yield f"a sentence for nothing in {self.said.pct:.1f} %, at most {SILENT_MOST_PCT:.0f} %"
        if (self.begins or self.story == CABLE) and self.right.of - self.right.hits > within(
            1 - RIGHT_LEAST_PCT / 100, self.right.of
        ):
            yield f"right cause in {self.right.pct:.1f} %, at least {RIGHT_LEAST_PCT:.0f} %"
        if self.wrong.hits > within(WRONG_MOST_PCT / 100, nights):
            yield f"a wrong cause in {100 * self.wrong.hits / nights:.1f} %, at most {WRONG_MOST_PCT:.0f} %"
        if self.placed.of - self.placed.hits > within(1 - PLACED_LEAST, self.placed.of):
            yield f"sets hold {self.placed.share:.2f}, at least {PLACED_LEAST}"
        if self.sloped.of and self.sloped.of - self.sloped.hits > within(1 - SLOPE_LEAST, self.sloped.of):
            yield f"slopes hold {self.sloped.share:.2f}, at least {SLOPE_LEAST:.2f}"


FEW = 50


def within(share: float, of: int) -> int:
    """How many of so many may miss: the share itself, of few nights what chance does at 99.9 %."""
    return int(binom.ppf(CHANCE, of, share)) if of < FEW else int(share * of)


def _holds(told: Told, onset: int) -> bool:
    """Whether the 90 % set holds the moment between the last cycle of before and the first of since."""
    begin, end = told.changed.cycle_no_from, told.changed.cycle_no_to
    return begin is not None and end is not None and begin <= onset + 1 and end >= onset


def _temperatures(night: Night, onset: int) -> frozenset[str]:
    """What may be named because the temperature did move."""
    before, now = night.degc[max(onset - 20, 0) : onset], night.degc[-20:]
    moved = float(now.mean() - before.mean()) if len(before) else 0.0
    if abs(moved) < MOVED_K:
        return frozenset()
    return frozenset({"zero with temperature", "colder" if moved < 0 else "warmer"})


def _median_h(delays: Sequence[int], nights: int) -> float:
    ranked = np.sort(np.array([*delays, *[np.inf] * (nights - len(delays))]))
    return float(ranked[nights // 2] * CYCLE_S / 3600) if nights else float("nan")
