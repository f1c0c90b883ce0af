"""What a torque signal that went bad, or another temperature, has done to a night in which no figure changed: live and from the store by one rule."""

from collections.abc import Sequence

import numpy as np

from nightturn.estimation.turns import Bools
from nightturn.evidence.cycle_values import Declared
from nightturn.evidence.features import JUMPS, RAILED, TEMPERATURE
from nightturn.evidence.from_cycles import UNSOUND_JUMPS
from nightturn.evidence.rules import RULES
from nightturn.model.tiles import Int64s
from nightturn.model.trends import Because
from nightturn.trend.causes import CYCLES, FOREVER, Kept, Window, because
from nightturn.trend.series import Series
from nightturn.trend.settled import LIMIT_K, settled

SIGNAL_CAUSES = frozenset(
    rule.cause
    for rule in RULES
    if any(each.kind in {RAILED, JUMPS} for needed in rule.needs for each in needed)
)
"""Causes by which a torque signal rails or jumps."""
TEMPERATURE_CAUSES = frozenset(
    rule.cause for rule in RULES if any(each.kind == TEMPERATURE for each in rule.needs[0])
)
"""Causes by which a unit is colder or warmer."""
MOVED_K = 2.0
"""By so much a warm unit is at another temperature: a hall sways by less in a night (common practice, no source)."""
BAD_LEAST = 3
"""Cycles with a bad signal from which on it is no accident."""


def is_bad(railed: float, jumps: float) -> bool:
    """Whether the torque signal of a cycle railed or jumped."""
    return railed > 0 or jumps >= UNSOUND_JUMPS


def bad_since(begins: Int64s, bad: Bools) -> int | None:
    """When the first of these cycles (n,) with a bad signal began, ns since 1970 UTC; None with fewer than `BAD_LEAST` of them.

    Such cycles are not judged, so no figure changes with them.
    """
    return int(begins[bad].min()) if np.count_nonzero(bad) >= BAD_LEAST else None


def moved_temperature(series: Series) -> Window | None:
    """When, in the last night of a series, a unit that had warmed up was `MOVED_K` colder or warmer than then; None where it was not.

    Before it lie the cycles up to the first that is farther from its warm level than a warm unit moves in an hour.
    """
    last = series.part(series.night == series.night[-1])
    warm = np.flatnonzero(settled(last) & np.isfinite(last.degc))
    if not len(warm) or not np.isfinite(last.degc).all():
        return None
    level = float(np.median(last.degc[warm[:CYCLES]]))
    off = np.abs(last.degc - level)
    off[: warm[0]] = 0.0
    left, moved = (np.flatnonzero(off > kelvin) for kelvin in (LIMIT_K, MOVED_K))
    if not len(moved):
        return None
    ts = last.ts
    return Window(int(ts[warm[0]]), int(ts[left[0]]), int(ts[moved[0]]), int(ts[moved[-1]]) + 1)


def signal_because(
    kept: Sequence[Kept], bad_ts: int, declared: Declared, *, referenced: bool
) -> Because | None:
    """What a torque signal that went bad at that moment is consistent with, by the complete cycles of its night; None where no cause of that fits.

    Few cycles may leave nothing but what moves anyway while a unit warms up, and that is no cause of a bad signal.
    """
    window = Window(0, bad_ts, bad_ts, FOREVER)
    found = because(kept, window, declared, referenced=referenced)
    return found if SIGNAL_CAUSES & set(found.names) else None


def temperature_because(
    kept: Sequence[Kept], window: Window, declared: Declared, *, referenced: bool
) -> Because | None:
    """What another temperature has done to a night without a change, by its own complete cycles; None where the table names no such cause."""
    found = because(kept, window, declared, referenced=referenced, only=TEMPERATURE_CAUSES)
    return found if found.names else None
