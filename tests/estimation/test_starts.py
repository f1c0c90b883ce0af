"""The fold of starts: the same integers as a plain loop, whatever the cuts; which passes have one."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, clean, cycles_of, record
from tests.estimation.test_any_split import SMALL, small

from nightturn.estimation.assembly import STARTS_KEPT
from nightturn.estimation.breakaway import DWELL_MIN_S
from nightturn.estimation.scan import Piece, Scan
from nightturn.estimation.starts import BEFORE_SLOTS, ENCODER, RAW, SLOTS, N, Starts, StartSums, added

RESTING = replace(SMALL, strokes=STARTS_KEPT, stroke_deg=270, exercise_rpm=60)


def starts_of(cuts: list[int]) -> list[StartSums]:
    """Every start in the recording that a later stretch did not take away, cut at `cuts`."""
    scan, starts = Scan(SMALL.settings()), Starts.of_cells(SMALL.settings().cell_samples)
    recording, found = small(), []
    n = len(recording.raw)
    for a, b in pairwise(sorted({0, n, *(c for c in cuts if 0 < c < n)})):
        for stretch in scan.add(recording.tile(a, b)):
            if stretch.code == 0 and starts.start is not None:
                found.append(starts.start)
            starts.add(stretch)
    return found


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, 11_000), max_size=40))
def test_any_cut_gives_the_sums_of_a_plain_loop(cuts: list[int]) -> None:
    raw, encoder = small().raw.astype(np.int64), small().encoder
    found = starts_of(cuts)
    assert len(found) >= 8
    for start in found:
        # What moved before the rest, and what rests behind the pass, is not the start's.
        index = np.arange(max(start.first_slot * start.slot_samples, start.rest_from), start.end)
        index = index[index < ends_of(start)]
        expected = np.zeros((3, SLOTS), np.int64)
        slot = index // start.slot_samples - start.first_slot
        for row, values in enumerate((np.ones_like(index), raw[index], encoder[index])):
            np.add.at(expected[row], slot, values)
        # A start in the middle of a slot has pushed the first slot of its rest out.
        kept = 0 if start.index % start.slot_samples == 0 else 1
        np.testing.assert_array_equal(start.sums[:, kept:], expected[:, kept:])


def ends_of(start: StartSums) -> int:
    """The first sample of the cell at which the shaft rests again or turns round."""
    cell = SMALL.settings().cell_samples
    encoder = small().encoder
    index = start.index
    while index + cell < len(encoder):
        travel = int(encoder[index + cell] - encoder[index])
        if travel * start.direction < SMALL.settings().stand_cell_counts:
            return index
        index += cell
    return index


@settings(max_examples=40, deadline=None)
@given(
    first=st.integers(-500, 500),
    length=st.integers(1, 900),
    cuts=st.lists(st.integers(1, 899), max_size=5),
    slot_samples=st.integers(1, 60),
)
def test_samples_beyond_the_slots_are_left_out_and_the_others_add_up(
    first: int, length: int, cuts: list[int], slot_samples: int
) -> None:
    raw, encoder = np.arange(length, dtype=np.int32) * 7 - 3, np.arange(length, dtype=np.int64) * 11
    sums = np.zeros((3, 9), np.int64)
    sums.flags.writeable = False  # as out of a snapshot
    for a, b in pairwise(sorted({0, length, *(c for c in cuts if c < length)})):
        sums = added(
            sums, -3, slot_samples, Piece(first + a, raw[a:b], encoder[a:b], np.zeros(b - a, np.uint8))
        )
    index = np.arange(first, first + length)
    for slot in range(9):
        here = index // slot_samples == slot - 3
        assert (sums[N, slot], sums[RAW, slot], sums[ENCODER, slot]) == (
            here.sum(),
            raw[here].sum(),
            encoder[here].sum(),
        )


def test_unpowered_passes_that_start_from_rest_are_kept_and_the_hold_is_not() -> None:
    (sums,) = cycles_of(record(SMALL))
    assert len(sums.starts) == 3 + SMALL.strokes
    assert [start.direction for start in sums.starts] == [1, -1, 1, -1, 1]
    hold = sums.legs[3]
    assert hold.kind == "hold"
    assert all(
        start.index < sums.legs[2].index_last or start.index > hold.index_last for start in sums.starts
    )
    for start in sums.starts:
        assert start.index - start.rest_from >= 0.8 * SMALL.dwell_s * SMALL.rate_hz
        assert start.sums[N, BEFORE_SLOTS - 20 : BEFORE_SLOTS + 20].min() == start.slot_samples


def test_no_more_starts_are_kept_than_there_is_room_for() -> None:
    (sums,) = cycles_of(record(RESTING))
    assert sums.strokes == STARTS_KEPT
    assert len(sums.starts) == STARTS_KEPT


def test_a_reversal_rests_too_shortly_to_be_taken_for_a_start() -> None:
    bench = Bench(rate_hz=200, strokes=4, slow_turns=1.2, slow_rpm=30, hold_rpm=30, exercise_rpm=60)
    bench = replace(bench, ramp_rad_per_s2=30.0, run_up_deg=20, stroke_deg=270, dwell_s=0.0)
    cycles = cycles_of(clean(bench).recorded(1))
    rests = [start.index - start.rest_from for each in cycles for start in each.starts[1:]]
    assert all(rest < DWELL_MIN_S * bench.rate_hz for rest in rests)
