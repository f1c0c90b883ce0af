"""What a kelvin does to the figures of a variant, from the stored nights of its other units."""

from collections.abc import Sequence
from pathlib import Path

from nightturn.errors import RunNotFoundError, StorageError
from nightturn.storage.runs import RunSummary, list_runs
from nightturn.storage.stored import stored_at
from nightturn.trend.learning import LEARNED, UnitSlope, VariantSlope, slope_of, variant_slopes
from nightturn.trend.settled import thinned
from nightturn.unit_history.life import COLUMNS, life
from nightturn.unit_history.nights import nights_of

UNITS_MAX = 12
"""Of a variant, those with the newest runs."""
NIGHTS_MAX = 3
"""Newest runs of each: a baseline lies behind the last known step, and a life of many nights would be read for one."""


def slopes_of_variant(root: Path, variant: str, unit: str, plan: str) -> tuple[VariantSlope, ...]:
    """Of the other units below a data root, each by its newest nights and only where it was measured by the same plan; a unit that cannot be read is left out.

    `plan` is that of `nights.Place`: at another speed another share of the friction thins out with temperature.
    """
    if not variant:
        return ()
    found: list[UnitSlope] = []
    for serial in _others(root, variant, unit):
        found += _slopes(root, serial, plan)
    return variant_slopes(found)


def _others(root: Path, variant: str, unit: str) -> Sequence[str]:
    """Serials of the other units of a variant, that with the newest run first."""
    try:
        runs: Sequence[RunSummary] = list_runs(stored_at(root))
    except (RunNotFoundError, StorageError):
        return ()
    newest = {each.unit: None for each in runs if each.variant == variant and each.unit not in ("", unit)}
    return list(newest)[:UNITS_MAX]


def _slopes(root: Path, serial: str, plan: str) -> list[UnitSlope]:
    try:
        nights, _ = nights_of(root, serial, COLUMNS, NIGHTS_MAX)
    except (RunNotFoundError, StorageError):
        return []
    if not nights or nights[-1].place.plan != plan:
        return []
    series = [thinned(each.latest) for each in life(serial, nights).series]
    return [each for figure in LEARNED if (each := slope_of(series, figure)) is not None]
