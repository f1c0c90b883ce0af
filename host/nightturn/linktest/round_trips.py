"""Round-trip times of clock probes: order statistics and a histogram."""

import math
from collections import Counter
from dataclasses import dataclass

from nightturn.model.quantities import number as in_digits

ROUND_TRIPS_MAX = 65_536  # an hour of probes
BINS_PER_DECADE = 5  # the preferred numbers R5 of ISO 3: 1, 1.6, 2.5, 4, 6.3
US_MIN = 1.0


@dataclass(frozen=True, slots=True)
class Bin:
    """`count` round trips of at least `from_us` and less than `to_us`."""

    from_us: float
    to_us: float
    count: int


@dataclass(frozen=True, slots=True)
class RoundTripFacts:
    """Round trips on the line, the device's own time to answer taken off.

    Attributes:
        sent, answered: probes.
        min_us, median_us, p99_us, max_us: None when no probe was answered.
        turnaround_max_us: the longest the device took between a probe and its answer.
        bins: the histogram, from the first bin with a count to the last.
    """

    sent: int
    answered: int
    min_us: float | None
    median_us: float | None
    p99_us: float | None
    max_us: float | None
    turnaround_max_us: float | None
    bins: tuple[Bin, ...]


class RoundTrips:
    """Collects round trips, at most `ROUND_TRIPS_MAX` of them."""

    def __init__(self) -> None:
        self.sent = 0
        self.answered = 0
        self._kept: list[tuple[int, float]] = []
        self._turnaround_max_us: float | None = None

    def add(self, at_ns: int, delay_ns: float, turnaround_ns: float) -> None:
        """A probe was answered at this stamp."""
        self.answered += 1
        if len(self._kept) < ROUND_TRIPS_MAX:
            self._kept.append((at_ns, max(delay_ns, 0.0) / 1e3))
        self._turnaround_max_us = max(self._turnaround_max_us or 0.0, turnaround_ns / 1e3)

    def facts(self) -> RoundTripFacts:
        """What came out."""
        ranked = sorted(delay_us for _, delay_us in self._kept)
        return RoundTripFacts(
            sent=self.sent,
            answered=self.answered,
            min_us=nearest_rank(ranked, 0.0),
            median_us=nearest_rank(ranked, 0.5),
            p99_us=nearest_rank(ranked, 0.99),
            max_us=nearest_rank(ranked, 1.0),
            turnaround_max_us=self._turnaround_max_us,
            bins=histogram(ranked),
        )

    def frequency_bound_ppm(self) -> float | None:
        """How far any comparison of the two clocks over this time can be off, None before there are two ends.

        An offset is wrong by at most half its round trip (RFC 5905 section 8); at each end the shortest one counts.
        """
        third = len(self._kept) // 3
        if not third:
            return None
        (from_ns, first_us), (to_ns, last_us) = (
            min(part, key=lambda kept: kept[1]) for part in (self._kept[:third], self._kept[-third:])
        )
        if to_ns <= from_ns:
            return None
        return (first_us + last_us) / 2 * 1e3 / (to_ns - from_ns) * 1e6


def nearest_rank(ranked: list[float], share: float) -> float | None:
    """The smallest value with at least this share of all at or below it; None of nothing.

    Definition 1 of Hyndman and Fan, The American Statistician 50(4), 1996.
    """
    if not ranked:
        return None
    return ranked[max(math.ceil(share * len(ranked)) - 1, 0)]


def edge_us(number: int) -> float:
    """The lower edge of a bin; bin 0 begins at `US_MIN` and takes what is shorter, too."""
    return float(in_digits(US_MIN * 10 ** (number / BINS_PER_DECADE), 2))


def histogram(delays_us: list[float]) -> tuple[Bin, ...]:
    """Logarithmic bins over all values, the empty ones in between too."""
    if not delays_us:
        return ()
    counts = Counter(_bin_of(delay) for delay in delays_us)
    return tuple(
        Bin(edge_us(number) if number else 0.0, edge_us(number + 1), counts[number])
        for number in range(min(counts), max(counts) + 1)
    )


def _bin_of(delay_us: float) -> int:
    number = max(math.floor(math.log10(max(delay_us, US_MIN) / US_MIN) * BINS_PER_DECADE), 0)
    while delay_us >= edge_us(number + 1):  # the edges are rounded to two digits
        number += 1
    while number and delay_us < edge_us(number):
        number -= 1
    return number
