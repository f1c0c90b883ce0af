"""Samples filled in for the scan leave no trace in the sums."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.replay.made_up import RATE_HZ, cycle

from nightturn.estimation.assembly import CycleSums
from nightturn.model.phases import cell_samples
from nightturn.replay.commanded import commanded, scan_settings
from nightturn.replay.grids import Series, angle_counts, torque_grid
from nightturn.replay.loaded import unloaded
from nightturn.replay.lost import filled, taken_out
from nightturn.replay.passes import passes_of
from nightturn.replay.smoothness import _sums

COUNTS = 1 << 20
CELL = cell_samples(RATE_HZ)


def series() -> Series:
    time, angle, torque = cycle()
    return Series(
        np.rint(time * RATE_HZ).astype(np.int64),
        angle_counts(angle, COUNTS),
        torque_grid(torque, 15.0, 1e-5)[1],
    )


WHOLE = series()
GRID = torque_grid(cycle()[2], 15.0, 1e-5)[0]
PASSES = passes_of(WHOLE, RATE_HZ, COUNTS, GRID)
FREE = unloaded(PASSES.legs, None)
SCAN = scan_settings(WHOLE.raw, RATE_HZ, COUNTS, GRID, commanded(PASSES, 15.0, FREE), FREE.zero_nm)


def without(lost: "np.ndarray[tuple[int], np.dtype[np.bool_]]") -> Series:
    return Series(WHOLE.index[~lost], WHOLE.encoder[~lost], WHOLE.raw[~lost])


def slow_way(some: Series) -> list[CycleSums]:
    return _sums(some, SCAN)


@given(seed=st.integers(0, 10_000), share=st.floats(0.0001, 0.01))
@settings(max_examples=10, deadline=None)
def test_the_sums_are_those_of_the_samples_that_were_there(seed: int, share: float) -> None:
    """Lost away from grid points, where the scan without filling sees the same cells."""
    lost = (np.random.default_rng(seed).random(len(WHOLE.index)) < share) & (
        np.abs((WHOLE.index + CELL // 2) % CELL - CELL // 2) > 5
    )
    some = without(lost)
    full = filled(some, CELL)
    assert (np.diff(full.series.index) == 1).all()
    assert full.series.index[~full.own].tolist() == WHOLE.index[lost].tolist()
    found = _sums(full.series, SCAN)
    assert taken_out(found, full)
    (cycle_sums,), (known,) = found, slow_way(some)
    assert len(cycle_sums.legs) == len(known.legs) == 4
    for leg, other in zip(cycle_sums.legs, known.legs, strict=True):
        assert (leg.sums == other.sums).all()
        assert (leg.n, leg.raw_sum) == (other.n, other.raw_sum)
    between = lost[cycle_sums.index_first : cycle_sums.index_last + 1]
    assert cycle_sums.missing == between.sum()


@pytest.mark.parametrize("share", [0.01, 0.05])
def test_nine_tenths_of_what_is_left_reach_the_folds(share: float) -> None:
    lost = np.random.default_rng(3).random(len(WHOLE.index)) < share
    full = filled(without(lost), CELL)
    found = _sums(full.series, SCAN)
    assert taken_out(found, full)
    (some,), (all_there,) = found, _sums(WHOLE, SCAN)
    used, whole = (sum(leg.n for leg in each.legs) for each in (some, all_there))
    assert used >= 0.995 * (1 - share) * whole
    assert used == sum(int((~lost[leg.index_first : leg.index_last + 1]).sum()) for leg in some.legs)


def test_a_gap_longer_than_a_tenth_of_a_cell_is_left_a_gap() -> None:
    lost = np.zeros(len(WHOLE.index), np.bool_)
    lost[7000:7005] = lost[9000:9006] = True
    full = filled(without(lost), CELL)
    assert full.series.index[~full.own].tolist() == list(range(7000, 7005))
    found = _sums(full.series, SCAN)
    assert taken_out(found, full)
    assert found[0].missing == 11
    assert found[0].holes == ((7000, 7005), (9000, 9006))


def test_samples_that_may_not_have_been_folded_are_not_taken_out() -> None:
    """A drive at half its speed for a moment leaves cells out of a pass: which samples were folded is not known from its span."""
    lost = np.zeros(len(WHOLE.index), np.bool_)
    lost[5000] = True
    some = without(lost)
    steps = np.diff(some.encoder, prepend=0)
    steps[8000:8120] //= 2
    some = Series(some.index, np.cumsum(steps), some.raw)
    full = filled(some, CELL)
    assert not taken_out(_sums(full.series, SCAN), full)


def test_nothing_is_filled_where_nothing_is_lost() -> None:
    full = filled(WHOLE, CELL)
    assert full.series is WHOLE
    assert full.own.all()
