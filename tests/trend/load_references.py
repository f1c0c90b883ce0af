"""The definitions of the load history as plain loops, one sample or one pair at a time, to compare with."""

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from random import Random
from typing import Any

import msgspec
import numpy as np
from hypothesis import strategies as st
from tests.estimation.snapshots import from_plain, to_plain

from nightturn.model.tiles import Int32s
from nightturn.trend.load_history import LoadHistory
from nightturn.trend.rainflow import Spectrum


def int32s(values: Sequence[int]) -> Int32s:
    return np.array(values, np.int32)


def turning_points(samples: Sequence[int], gate: int) -> tuple[list[int], list[int]]:
    """Confirmed turning points and the newest extreme (none before a first movement), by a dead band, sample by sample."""
    found: list[int] = []
    low = high = newest = sense = 0
    for number, sample in enumerate(samples):
        if sense == 0:
            low, high = (sample, sample) if number == 0 else (min(low, sample), max(high, sample))
            if high - low >= gate:
                sense = 1 if sample == high else -1
                found.append(low if sense > 0 else high)
                newest = sample
        elif (sample - newest) * sense > 0:
            newest = sample
        elif (newest - sample) * sense >= gate:
            found.append(newest)
            sense, newest = -sense, sample
    return found, [newest] if sense else []


def closed_in_any_order(
    points: Sequence[int], order: Random, below: int
) -> tuple[list[int], Counter[tuple[int, int]]]:
    """Four-point counting that takes one pair after the other, always any one of those that may go."""
    left, pairs = list(points), Counter[tuple[int, int]]()
    while True:
        ranges = [abs(b - a) for a, b in pairwise(left)]
        may_go = [
            n
            for n in range(1, len(ranges) - 1)
            if ranges[n] <= min(ranges[n - 1], ranges[n + 1]) and ranges[n] < below
        ]
        if not may_go:
            return left, pairs
        at = order.choice(may_go)
        pairs[min(left[at : at + 2]), max(left[at : at + 2])] += 1
        del left[at : at + 2]


def cycles_of_points(points: Sequence[int]) -> list[tuple[int, float, float]]:
    """Range, mean and number of the cycles of a whole row of turning points, what is left as half cycles."""
    left, pairs = closed_in_any_order(points, Random(1), 1 << 30)
    halves = [(abs(b - a), (a + b) / 2, 0.5) for a, b in pairwise(left)]
    return [*((b - a, (a + b) / 2, float(count)) for (a, b), count in pairs.items()), *halves]


def by_range(spectrum: Spectrum) -> dict[float, float]:
    """Cycles of each range; exact where classes are one count wide."""
    found: Counter[float] = Counter()
    for size, cycles in zip(spectrum.ranges.tolist(), spectrum.cycles.tolist(), strict=True):
        found[size] += cycles
    return dict(found)


def state(history: LoadHistory) -> Any:
    """The whole state as bytes: what is equal here is equal in every bit."""
    return msgspec.msgpack.encode(history, enc_hook=to_plain)


def through_snapshot(history: LoadHistory) -> LoadHistory:
    """The same history after a restart of its host; its arrays are then read-only."""
    return msgspec.msgpack.decode(state(history), type=LoadHistory, dec_hook=from_plain)


def parts(samples: Sequence[int], cuts: Sequence[int]) -> list[Int32s]:
    """The samples cut at these places, taken modulo their number; parts may be empty."""
    places = sorted(cut % (len(samples) + 1) for cut in cuts)
    return np.split(int32s(samples), places)


def histories(max_size: int = 150) -> st.SearchStrategy[list[int]]:
    """Noise, noise with level stretches, walks, and oscillations that grow or die away."""
    noise = st.lists(st.integers(-15, 15), max_size=max_size)
    coarse = st.lists(st.integers(-2, 2), max_size=max_size)
    walk = coarse.map(lambda steps: np.cumsum(steps).tolist() if steps else [])
    growing = st.tuples(st.integers(2, 60), st.booleans(), noise).map(
        lambda drawn: [*[(-1) ** n * n for n in range(drawn[0])][:: -1 if drawn[1] else 1], *drawn[2]]
    )
    return st.one_of(noise, coarse, walk, growing)


CUTS = st.lists(st.integers(0, 1000), max_size=4)
GATES = st.integers(1, 12)
