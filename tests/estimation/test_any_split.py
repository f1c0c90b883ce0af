"""The sums do not depend on how samples were cut into tiles, merged, or carried through a snapshot."""

from dataclasses import replace
from functools import cache
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.snapshots import through_snapshot
from tests.estimation.synthetic import Bench, Recording, record

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.cycles import READINGS_WAITING, Estimator, Event
from nightturn.estimation.folds import BINS, MAX_REVOLUTIONS, SUMS, LegSums, StrokeSums
from nightturn.estimation.phases import PhaseChange
from nightturn.model.tiles import Tile

SMALL = Bench(
    rate_hz=200,
    slow_rpm=30,
    hold_rpm=30,
    exercise_rpm=60,
    ramp_rad_per_s2=30.0,
    strokes=2,
    slow_turns=1.2,
    hold_turns=1.2,
    run_up_deg=20,
    stroke_deg=270,
    counts_per_rev=100_000,
)


@cache
def small() -> Recording:
    """Two cycles with a jump every 53 samples and a railed run every 701, so that cuts fall on those too."""
    recording = record(SMALL, 3, cycles=2)
    raw = recording.raw.copy()
    raw[::53] += round(2.0 / SMALL.lsb_nm)
    for start in range(0, len(raw), 701):
        raw[start : start + 3] = (1 << 23) - 1
    return replace(recording, raw=raw)


def plain(event: Event) -> tuple[object, ...]:
    """An event as something that compares equal exactly when all its integers do."""
    if isinstance(event, PhaseChange):
        return ("phase", event.phase, event.index)
    if isinstance(event, StrokeSums):
        return ("stroke", *(getattr(event, name) for name in event.__struct_fields__))
    legs = tuple(
        (*(getattr(leg, f) for f in leg.__struct_fields__ if f != "sums"), leg.sums.tobytes())
        for leg in event.legs
    )
    rest = tuple(getattr(event, name) for name in event.__struct_fields__ if name != "legs")
    return ("cycle", event.sha256(), legs, *map(str, rest))


def run(
    recording: Recording, cuts: list[int], holes: list[tuple[int, int]], snapshot_at: int = -1
) -> list[tuple[object, ...]]:
    """Feed the recording cut at `cuts`, without the samples in `holes`."""
    estimator = Estimator.start(recording.bench.settings(), 1)
    n = len(recording.raw)
    edges = sorted({0, n, *(c for c in cuts if 0 < c < n), *(e for hole in holes for e in hole if 0 < e < n)})
    out: list[Event] = []
    for a, b in pairwise(edges):
        if any(lo <= a and b <= hi for lo, hi in holes):
            out += estimator.gap(a, b)
        else:
            out += estimator.add(recording.tile(a, b))
        if a <= snapshot_at < b:
            estimator = through_snapshot(estimator)
    out += estimator.interrupt("the end")
    return [plain(event) for event in out]


@cache
def whole() -> list[tuple[object, ...]]:
    return run(small(), [], [])


def test_the_recording_holds_two_complete_cycles() -> None:
    cycles = [event for event in whole() if event[0] == "cycle"]
    assert len(cycles) == 2
    estimator = Estimator.start(SMALL.settings(), 1)
    found = [e for e in estimator.add(small().tile()) if isinstance(e, CycleSums)]
    assert [c.complete for c in found] == [True, True]
    assert all(leg.jumps > 4 for c in found for leg in c.legs)
    assert sum(leg.railed for c in found for leg in c.legs) > 3
    assert [c.direction for c in found] == [1, -1]
    assert [[leg.kind for leg in c.legs] for c in found] == [["slow_turn"] * 3 + ["hold"]] * 2


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(1, 11_000), max_size=60), snapshot_at=st.integers(-1, 11_000))
def test_any_cut_gives_the_same_events_and_sums(cuts: list[int], snapshot_at: int) -> None:
    assert run(small(), cuts, [], snapshot_at) == whole()


@pytest.mark.parametrize("size", [1, 7, 10, 333, 1000, 20_000])
def test_any_tile_size_gives_the_same_events_and_sums(size: int) -> None:
    cuts = list(range(size, len(small().raw), size))
    assert run(small(), cuts, []) == whole()


@settings(max_examples=40, deadline=None)
@given(
    holes=st.lists(st.tuples(st.integers(1, 8_000), st.integers(1, 400)), min_size=1, max_size=5),
    cuts=st.lists(st.integers(1, 8_000), max_size=40),
)
def test_with_gaps_any_cut_gives_the_same_events_and_sums(
    holes: list[tuple[int, int]], cuts: list[int]
) -> None:
    spans = merged([(a, a + n) for a, n in holes])
    assert run(small(), cuts, spans) == run(small(), [], spans)


def warmed(
    cuts: list[int], readings: list[tuple[int, int]], epoch_at: int, snapshot_at: int = -1
) -> list[CycleSums | StrokeSums]:
    """The cycles and strokes of the recording in tiles between `cuts`, with readings (before which sample, m°C) as they come beside it.

    A tile is added when its last sample has come; samples from `epoch_at` on are of another epoch, and a cut is there.
    """
    recording, n = small(), len(small().raw)
    estimator = Estimator.start(recording.bench.settings(), 1)
    edges = sorted({0, n, epoch_at, *(c for c in cuts if 0 < c < n)})
    left = sorted(readings)
    out: list[Event] = []
    for a, b in pairwise(edges):
        epoch = int(a >= epoch_at)
        while left and left[0][0] < b:
            at, milli_degc = left.pop(0)
            # behind a tile that is out nobody says which sample comes next
            estimator.warm([("bridge", milli_degc), ("housing", milli_degc)], epoch, at if at > a else -1)
        if a <= snapshot_at < b:
            estimator = through_snapshot(estimator)
        out += estimator.add(replace_epoch(recording.tile(a, b), epoch))
    out += estimator.interrupt("the end")
    return [event for event in out if isinstance(event, CycleSums | StrokeSums)]


def replace_epoch(tile: Tile, epoch: int) -> Tile:
    """The same samples in another epoch."""
    return msgspec.structs.replace(tile, epoch=epoch)


def warmth(found: list[CycleSums | StrokeSums]) -> list[tuple[object, ...]]:
    return [
        (each.index_last, each.temperature_milli_degc)
        if isinstance(each, StrokeSums)
        else (each.index_last, each.temperatures, each.temperature_ends)
        for each in found
    ]


@settings(max_examples=40, deadline=None)
@given(
    cuts=st.lists(st.integers(1, 11_000), max_size=60),
    readings=st.lists(st.tuples(st.integers(0, 11_000), st.integers(15_000, 40_000)), max_size=200),
    epoch_at=st.integers(1, 11_000),
    snapshot_at=st.integers(-1, 11_000),
)
def test_any_cut_gives_each_cycle_and_each_stroke_the_same_temperatures(
    cuts: list[int], readings: list[tuple[int, int]], epoch_at: int, snapshot_at: int
) -> None:
    assert warmth(warmed(cuts, readings, epoch_at, snapshot_at)) == warmth(warmed([], readings, epoch_at))


def test_each_reading_is_in_the_cycle_that_was_under_way_when_it_came() -> None:
    first, second = (event for event in run_cycles() if event.complete)
    ends = (first.index_last, second.index_first)
    readings = [(at, 20_000 + at) for at in range(0, len(small().raw), 20)]
    for cuts in ([], list(range(1000, len(small().raw), 1000))):
        found = warmed(cuts, readings, len(small().raw))
        cycles = [each for each in found if isinstance(each, CycleSums)]
        count, total = cycles[0].temperatures["bridge"]
        assert total == sum(milli for _, milli in readings[:count])
        assert ends[0] <= readings[count][0] <= ends[1]
        assert sum(cycle.temperatures["bridge"][0] for cycle in cycles[:2]) > 2 * count - 50


def test_without_samples_only_so_many_readings_wait() -> None:
    estimator = Estimator.start(SMALL.settings(), 1)
    for number in range(READINGS_WAITING + 5):
        estimator.warm([("bridge", number)])
    assert len(estimator.readings) == READINGS_WAITING
    assert estimator.assembly.temperatures == {"bridge": (5, 0 + 1 + 2 + 3 + 4)}


def run_cycles() -> list[CycleSums]:
    """The cycles of the recording in one tile."""
    found = Estimator.start(SMALL.settings(), 1).add(small().tile())
    return [event for event in found if isinstance(event, CycleSums)]


def merged(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that overlap or touch made one."""
    out: list[tuple[int, int]] = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1]:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return out


def leg_part(raw: np.ndarray, encoder: np.ndarray, a: int, b: int) -> LegSums:
    """Samples [a, b) as a part of one leg."""
    leg = LegSums.start(SMALL.settings(), "slow_turn", 1, 1, 0, int(encoder[0]))
    before = int(raw[a - 1]) if a else None
    leg.add(a, raw[a:b], encoder[a:b], np.zeros(b - a, np.uint8), before)
    return leg


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    cuts=st.lists(st.integers(1, 2_999), max_size=6, unique=True),
    data=st.data(),
)
def test_any_merge_order_gives_the_same_leg(seed: int, cuts: list[int], data: st.DataObject) -> None:
    rng = np.random.default_rng(seed)
    encoder = (np.arange(3_000) * 83 + rng.integers(-60, 60, 3_000)).astype(np.int64)
    # One draw has an extreme once, the other in runs that the cuts fall into.
    top = data.draw(st.sampled_from([1 << 23, 3]))
    raw = rng.integers(-top, top, 3_000).astype(np.int32)
    edges = [0, *sorted(cuts), 3_000]
    spans = list(pairwise(edges))
    parts = [leg_part(raw, encoder, a, b) for a, b in data.draw(st.permutations(spans))]
    total = parts[0]
    for part in parts[1:]:
        total.merge(part)
    assert total.canonical() == leg_part(raw, encoder, 0, 3_000).canonical()
    low, high = raw == raw.min(), raw == raw.max()
    assert (total.at_min, total.at_max) == (low.sum(), high.sum())
    assert (total.again_min, total.again_max) == ((low[1:] & low[:-1]).sum(), (high[1:] & high[:-1]).sum())


@pytest.mark.parametrize(
    ("step", "jitter"),
    [(-83, 60), (83, 60), (25, 1), (-25, 1), (17, 1), (-61, 1), (2, 1), (-200, 1), (24.4140625, 1)],
)
@pytest.mark.parametrize("start", [-70_000, 0, 33_333, 99_999])
def test_the_sums_are_what_a_plain_loop_gives(step: float, jitter: int, start: int) -> None:
    rng = np.random.default_rng(5)
    encoder = (start + np.arange(3_000) * step + rng.integers(0, jitter, 3_000)).astype(np.int64)
    raw = rng.integers(-(1 << 22), 1 << 22, 3_000).astype(np.int32)
    way = 1 if step > 0 else -1
    leg = LegSums.start(SMALL.settings(), "slow_turn", way, 1, 0, int(encoder[0]))
    leg.add(0, raw, encoder, np.zeros(3_000, np.uint8))
    expected = np.zeros(leg.sums.shape, object)
    counts = SMALL.counts_per_rev
    first = int(encoder[0]) * BINS // counts
    for i, (e, y) in enumerate(zip(encoder.tolist(), raw.tolist(), strict=True)):
        unwrapped, remainder = e * BINS // counts, e * BINS % counts
        revolution = max((unwrapped - first) * way // BINS, 0)
        for k, value in enumerate((1, y, remainder, y * y, i)):
            expected[revolution, k, unwrapped % BINS] += value
    assert leg.sums.shape[1:] == (SUMS, BINS)
    assert (leg.sums == expected).all()


@pytest.mark.parametrize("way", [1, -1])
def test_a_run_through_the_zero_bin_lands_in_its_own_bins(way: int) -> None:
    bins = way * (np.arange(2_049) + 3_072)
    settings_ = Bench(counts_per_rev=1 << 20).settings()
    leg = LegSums.start(settings_, "slow_turn", way, 1, 0, int(bins[0]) * 256)
    leg.add(0, np.ones(2_049, np.int32), (bins * 256).astype(np.int64), np.zeros(2_049, np.uint8))
    assert np.flatnonzero(leg.sums[0, 0]).tolist() == sorted((bins % BINS).tolist())


def test_revolutions_beyond_the_limit_are_counted_and_not_kept() -> None:
    encoder = (np.arange(70_000) * 100).astype(np.int64)  # 70 turns, 1000 samples each
    leg = LegSums.start(SMALL.settings(), "slow_turn", 1, 1, 0, 0)
    for a in range(0, 70_000, 3_333):
        part = encoder[a : a + 3_333]
        leg.add(a, np.ones(len(part), np.int32), part, np.zeros(len(part), np.uint8))
    assert len(leg.sums) == MAX_REVOLUTIONS
    assert (leg.n, leg.beyond) == (64_000, 6_000)


def test_parts_of_different_legs_cannot_be_merged() -> None:
    settings_ = SMALL.settings()
    one = LegSums.start(settings_, "slow_turn", 1, 1, 0, 0)
    with pytest.raises(ValueError, match="one leg"):
        one.merge(LegSums.start(settings_, "slow_turn", -1, 1, 0, 0))
