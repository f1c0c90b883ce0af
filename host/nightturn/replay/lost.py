"""Single lost samples: filled in for the scan and taken out of the sums again, so that each costs itself alone."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.assembly import HOLES_KEPT, CycleSums
from nightturn.estimation.folds import BINS, INDEX, MAX_REVOLUTIONS, RAW, RAW_SQUARED, REMAINDER, LegSums, N
from nightturn.model.tiles import Float64s, Int32s, Int64s
from nightturn.replay.grids import Bools, Series

FILLED_SHARE = 0.1
"""Gaps up to this share of a grid cell are filled; a shaft does nothing unseen in 5 ms."""

# A tile for every gap costs half a millisecond: ten hours with one sample in a hundred lost took three minutes. The sums
# are integers, so what was added for a filled sample is taken out without a trace.


@dataclass(frozen=True, slots=True)
class Filled:
    """A series with its short gaps filled.

    Attributes:
        own: (n,) which samples were there.
    """

    series: Series
    own: Bools


def filled(series: Series, cell: int) -> Filled:
    """Fill gaps of up to a tenth of a cell by values between their neighbours."""
    gaps = np.diff(series.index) - 1
    at = np.flatnonzero((gaps > 0) & (gaps <= max(1, int(cell * FILLED_SHARE))))
    if not len(at):
        return Filled(series, np.ones(len(series.index), np.bool_))
    sizes = gaps[at]
    ends = np.cumsum(sizes)
    lost = np.arange(int(ends[-1])) + np.repeat(series.index[at] + 1 - (ends - sizes), sizes)
    places = np.repeat(at + 1, sizes)
    share = (lost - series.index[places - 1]) / (sizes + 1).repeat(sizes)
    raw = _between(series.raw, places, share).astype(np.int32)
    encoder = _between(series.encoder, places, share)
    own = np.insert(np.ones(len(series.index), np.bool_), places, False)
    return Filled(
        Series(
            np.insert(series.index, places, lost),
            np.insert(series.encoder, places, encoder),
            np.insert(series.raw, places, raw),
        ),
        own,
    )


def _between(values: Int32s | Int64s, places: Int64s, share: Float64s) -> Int64s:
    """Values at these shares of the way from the sample before each place to the one at it, rounded."""
    before = values[places - 1].astype(np.int64)
    return before + np.rint((values[places] - before) * share).astype(np.int64)


def taken_out(cycles: Sequence[CycleSums], full: Filled) -> bool:
    """Take the filled samples out of the sums and count them as lost; False where it is not known which were folded.

    A pass has folded all samples of its span or left out some that were off its speed; its number of samples says which.
    """
    index, lost = full.series.index, ~full.own
    spans = []
    for leg in (leg for cycle in cycles for leg in cycle.legs):
        a, b = np.searchsorted(index, [leg.index_first, leg.index_last + 1])
        if leg.n != b - a:
            if lost[a:b].any():
                return False
            continue
        spans.append((leg, a + np.flatnonzero(lost[a:b])))
    for leg, places in spans:
        _take_out(leg, full.series, places)
    for cycle in cycles:
        a, b = np.searchsorted(index, [cycle.index_first, cycle.index_last + 1])
        _count(cycle, index[a + np.flatnonzero(lost[a:b])])
    return True


def _take_out(leg: LegSums, series: Series, places: Int64s) -> None:
    """Undo `LegSums.add` for these samples."""
    if not len(places):
        return
    encoder, raw = series.encoder[places], series.raw[places].astype(np.int64)
    bins = encoder * BINS // leg.counts_per_rev
    revolution = np.maximum((bins - leg.first_bin) * leg.direction, 0) // BINS
    inside = revolution < MAX_REVOLUTIONS
    place = bins % BINS
    values = (
        (N, np.ones_like(raw)),
        (RAW, raw),
        (REMAINDER, encoder * BINS - bins * leg.counts_per_rev),
        (RAW_SQUARED, raw * raw),
        (INDEX, series.index[places] - leg.origin_index),
    )
    for row, value in values:
        np.subtract.at(leg.sums[:, row], (revolution[inside], place[inside]), value[inside])
    leg.n -= int(inside.sum())
    leg.raw_sum -= int(raw[inside].sum())


def _count(cycle: CycleSums, lost: Int64s) -> None:
    """The samples as lost ones of the cycle, the first few gaps one by one."""
    if not len(lost):
        return
    cycle.missing += len(lost)
    starts = np.flatnonzero(np.diff(lost, prepend=lost[0] - 2) != 1)
    holes = [
        (int(run[0]), int(run[-1]) + 1) for run in np.split(lost, starts[1 : HOLES_KEPT + 1])[:HOLES_KEPT]
    ]
    cycle.holes = tuple(sorted([*cycle.holes, *holes])[:HOLES_KEPT])
