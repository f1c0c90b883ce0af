"""Strokes of a soak, seen by their speed alone: rows of their own, and nothing of them in the cycles."""

import numpy as np
import pytest
from tests.estimation.synthetic import Recording, cycles_of, feed, record
from tests.estimation.test_sequence import BENCH, only_cycles, phases

from nightturn.estimation.cycles import Estimator
from nightturn.estimation.folds import StrokeSums

SOAK_RPM, SOAK_STROKES = 45, 6


def with_a_soak() -> tuple[Recording, int, int]:
    """Two cycles with strokes of a second at a speed of their own between them, a rest at either end; where the strokes begin and end."""
    recording = record(BENCH, cycles=2)
    half, rate = len(recording.raw) // 2, BENCH.rate_hz
    stroke = np.arange(1, rate + 1) / rate * SOAK_RPM / 60 * BENCH.counts_per_rev
    there_and_back = np.concatenate([stroke, stroke[::-1] - stroke[0]])
    rest = np.zeros(2 * rate)
    away = np.concatenate([rest, *[there_and_back] * (SOAK_STROKES // 2), rest])
    encoder = recording.encoder[half - 1] + np.rint(away).astype(np.int64)
    raw = np.full(len(away), 90_000, np.int32)  # far from anything in the cycles
    parts = [recording.encoder[:half], encoder, recording.encoder[half:]]
    raws = [recording.raw[:half], raw, recording.raw[half:]]
    whole = Recording(BENCH, np.concatenate(parts), np.concatenate(raws))
    return whole, half + len(rest), half + len(away) - len(rest)


@pytest.mark.parametrize("tile", [77, 1000, 20_000])
def test_strokes_of_a_soak_have_their_own_rows_and_leave_the_cycles_as_they_are(tile: int) -> None:
    recording, begins, ends = with_a_soak()
    soak = round(SOAK_RPM / 60 * BENCH.counts_per_rev / 20)
    estimator = Estimator.start(BENCH.settings(soak_cell_counts=soak), 1)
    events = feed(estimator, recording, tile) + estimator.interrupt("the end")
    plain = cycles_of(record(BENCH, cycles=2))
    found = only_cycles(events)
    assert [(c.cycle_no, c.complete, c.strokes, c.missing) for c in found] == [
        (1, True, 4, 0),
        (2, True, 4, 0),
    ]
    sums = [[(leg.kind, leg.n, leg.raw_sum, leg.raw_max) for leg in cycle.legs] for cycle in found]
    assert sums == [[(leg.kind, leg.n, leg.raw_sum, leg.raw_max) for leg in cycle.legs] for cycle in plain]
    strokes = [event for event in events if isinstance(event, StrokeSums)]
    soaked = [each for each in strokes if each.phase == "soak"]
    assert [(s.cycle_no, s.stroke_no, s.direction) for s in soaked] == [
        (0, no, 1 if no % 2 else -1) for no in range(1, SOAK_STROKES + 1)
    ]
    assert all(begins <= s.index_first < s.index_last < ends for s in soaked)
    assert [s.stroke_no for s in strokes if s.phase == "exercise"] == [1, 2, 3, 4] * 2
    assert phases(events).count("soak") == SOAK_STROKES


def test_a_cycle_behind_a_soak_has_none_of_its_temperatures_nor_of_its_gaps() -> None:
    recording, begins, ends = with_a_soak()
    soak = round(SOAK_RPM / 60 * BENCH.counts_per_rev / 20)
    estimator = Estimator.start(BENCH.settings(soak_cell_counts=soak), 1)
    events = estimator.add(recording.tile(0, begins))
    estimator.warm([("housing", 80_000)])
    lost = begins + BENCH.rate_hz // 2
    events += estimator.add(recording.tile(begins, lost))
    events += estimator.gap(lost, lost + 4)
    events += estimator.add(recording.tile(lost + 4, ends + BENCH.rate_hz))
    estimator.warm([("housing", 30_000)])
    events += estimator.add(recording.tile(ends + BENCH.rate_hz))
    _, second = only_cycles(events)
    assert second.temperatures == {"housing": (1, 30_000)}
    assert (second.missing, second.holes, second.complete) == (0, (), True)


@pytest.mark.parametrize("parks", [True, False])
def test_a_cycle_behind_a_wait_for_a_person_has_none_of_the_temperatures_of_the_wait(parks: bool) -> None:
    recording = record(BENCH, cycles=2)
    estimator = Estimator.start(BENCH.settings(parks=parks), 1)
    half = len(recording.raw) // 2
    events = estimator.add(recording.tile(0, half))
    events += estimator.interrupt("the shaft was at rest for longer than the plan rests")
    estimator.warm([("housing", 15_000)])
    events += estimator.add(recording.tile(half, half + 400))
    estimator.warm([("housing", 30_000)])
    events += estimator.add(recording.tile(half + 400))
    _, second = only_cycles(events)
    assert second.temperatures == {"housing": (1, 30_000) if parks else (2, 45_000)}


def test_starts_of_strokes_under_a_load_torque_are_no_breakaway() -> None:
    (loaded,) = cycles_of(record(BENCH), strokes_loaded=True)
    (free,) = cycles_of(record(BENCH))
    assert loaded.complete
    assert len(loaded.starts) < len(free.starts)
    assert len(loaded.starts) == sum(leg.kind == "slow_turn" for leg in loaded.legs)
