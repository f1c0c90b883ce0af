"""What the cycles of a measurement say of a figure so far: its ± beside the wanted one, and whether more cycles can reach that."""

import math
from collections.abc import Sequence

from nightturn.estimation.figures import unit_of
from nightturn.estimation.night_figure import night_figure
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK, Figure
from nightturn.model.quantities import interval, number, quantity
from nightturn.model.tasks import OPEN, REACHED, UNREACHABLE, Standing

JUDGED_MIN = 2
"""Cycles begin in alternate senses, so that two have held the torque both ways."""
UNJUDGED_MAX = 3
"""Cycles in a row without a value, upon which no further one is expected to have it."""
COVERAGE_OF_MANY = 1.96
"""Of the common part, whose degrees of freedom are many."""


def standing(name: str, cycles: Sequence[Figure], until_pct: float | None) -> Standing:
    """How a figure stands after these cycles, in order.

    Args:
        name: of the figure.
        cycles: the figure in each, judged or not.
        until_pct: the wanted half-width in per cent of the value; None for none.
    """
    whole = night_figure(name, cycles)
    if whole is None or whole.value is None or whole.u is None or whole.nu is None:
        return _without(name, cycles)
    value, unit = whole.value, unit_of(name)
    half = coverage_factor(whole.nu) * whole.u
    found = f"{name} {interval(value, half, unit)} over {whole.n} cycle{'' if whole.n == 1 else 's'}"
    if until_pct is None:
        return Standing(name, value, half, None, whole.n, OPEN, found)
    wanted = until_pct / 100 * abs(value)
    found += f", {quantity(wanted, unit, beside=half)} wanted"
    # Independent lines add up as squares; no cycle makes this part smaller.
    common = COVERAGE_OF_MANY * math.hypot(*(line.u for line in whole.budget if line.common))
    if half <= wanted and whole.n >= JUDGED_MIN:
        return Standing(name, value, half, wanted, whole.n, REACHED, found)
    if common > wanted and whole.n >= JUDGED_MIN:
        least = max(whole.budget, key=lambda line: line.u if line.common else 0.0)
        said = (
            f"{found}: no number of cycles reaches that, because what they share alone is ± {quantity(common, unit, beside=wanted)}, "
            f"most of it {least.name}"
        )
        return Standing(name, value, half, wanted, whole.n, UNREACHABLE, said)
    if common < wanted < half:
        own = half * half - common * common
        more = math.ceil(whole.n * own / (wanted * wanted - common * common)) - whole.n
        found += f"; about {max(more, 1)} more like these"
    return Standing(name, value, half, wanted, whole.n, OPEN, found)


def _without(name: str, cycles: Sequence[Figure]) -> Standing:
    """No cycle has a value with a ±: why not, by the newest of them."""
    if not cycles:
        return Standing(name, None, None, None, 0, OPEN, f"{name}: no cycle has ended yet")
    last = cycles[-1]
    lacks = "no ±" if last.status == OK else last.status
    why = "; ".join(last.reasons) or lacks
    said = f"{name}: no value in {number(len(cycles))} cycle{'' if len(cycles) == 1 else 's'}: {why}"
    word = UNREACHABLE if len(cycles) >= UNJUDGED_MAX else OPEN
    return Standing(name, None, None, None, 0, word, said)
