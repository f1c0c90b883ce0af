"""The watch over stored cycles: many scores at once, and the same readings as one after the other."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.trend.quiet_nights import noise

from nightturn.model.tiles import Float64s
from nightturn.trend.cusum import Cause, Chart, Design, Reading
from nightturn.trend.watch import _readings

DESIGN = Design(threshold=6.0)
CYCLES = 160
"""More than are worked out at once."""


def singly(
    chart: Chart, values: Float64s, gaps: "np.ndarray[tuple[int], np.dtype[np.bool_]]"
) -> list[Reading]:
    found = []
    for value, gap in zip(values.tolist(), gaps.tolist(), strict=True):
        if gap:
            chart.missed()
        found.append(chart.add(value))
    return found


@settings(max_examples=12)
@given(
    seed=st.integers(0, 2**31),
    moved=st.lists(st.tuples(st.integers(3, CYCLES - 1), st.sampled_from([3.0, -2.0, 50.0])), max_size=4),
    gap_places=st.lists(st.integers(0, CYCLES - 1), max_size=6),
    remounted=st.booleans(),
)
def test_scores_of_many_values_at_once_are_those_of_one_after_the_other(
    seed: int, moved: list[tuple[int, float]], gap_places: list[int], *, remounted: bool
) -> None:
    """Odd values, steps that alarm, cycles without a value, and a level that begins anew where the scatter is known."""
    values = 0.08 + 1e-4 * noise(np.random.default_rng(seed), 0.3, CYCLES, 1)[:, 0]
    for place, sd in moved:
        values[place : place + (1 if sd > 10 else CYCLES)] += 1e-4 * sd
    gaps = np.isin(np.arange(CYCLES), gap_places)
    charts = [Chart(DESIGN), Chart(DESIGN)]
    for chart in charts if remounted else ():
        for value in values[:40].tolist():
            chart.add(value)
        chart.restart(Cause.REMOUNT)
    wanted, found = singly(charts[0], values, gaps), list(_readings(charts[1], values, gaps))
    for one, other in zip(wanted, found, strict=True):
        assert (one.why_not, one.alarm is None) == (other.why_not, other.alarm is None)
        assert (one.up, one.down, one.ewma) == pytest.approx((other.up, other.down, other.ewma), abs=1e-7)
    assert (charts[0].count, charts[0].began, charts[0].cause) == (
        charts[1].count,
        charts[1].began,
        charts[1].cause,
    )
