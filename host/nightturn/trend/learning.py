"""What a kelvin does to a figure, from the cycles of its own that went through a range of temperatures, else from other units of its variant.

A baseline whose temperature went up and down tells it of its own unit. Without one it is the mean of what other units of the variant have shown on
baselines of their own, each counted once, with the scatter between units: a further unit lies about the mean with the variance of a unit and that
of the mean together, by Student's t (prediction interval; textbook result). It is a line, and holds in the range that these units went through.
"""

from collections.abc import Callable, Sequence

import msgspec
import numpy as np

from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.figures import BREAKAWAY, FRICTION
from nightturn.estimation.least_squares import InseparableError
from nightturn.model.tiles import Float64s
from nightturn.trend.block_means import checked
from nightturn.trend.series import Series
from nightturn.trend.settled import breaks_of, hours_of, swept
from nightturn.trend.slope import mixture, usual_steps
from nightturn.trend.temperature import BASELINE_MIN, NoTemperatureModel, TemperatureModel, temperature_model
from nightturn.trend.temperature_curves import Curve, Kind

BASELINE = 60
"""Cycles of one direction behind a step from which temperature is learned: some six hours of the demo's plan."""
LEARNED = frozenset({FRICTION, BREAKAWAY})
"""The figures that temperature moves enough to learn it from a night."""
UNITS_MIN = 3
"""Of a variant, each with a slope of its own: two say next to nothing of how units scatter."""

Model = TemperatureModel | NoTemperatureModel | None


class UnitSlope(msgspec.Struct, frozen=True):
    """What a kelvin did to a figure of one unit: the share of its level by which it rose, its standard uncertainty, the range in which that was seen."""

    figure: str
    per_k: float
    u: float
    coldest_degc: float
    warmest_degc: float


class VariantSlope(msgspec.Struct, frozen=True):
    """What a kelvin does to a figure of a further unit of a variant.

    Attributes:
        per_k: share of its level by which it rises; u: standard uncertainty for one further unit, nu its degrees of freedom.
        units: how many it rests on. coldest_degc, warmest_degc: the range that they went through.
    """

    figure: str
    per_k: float
    u: float
    nu: float
    units: int
    coldest_degc: float
    warmest_degc: float


Variant = Callable[[], Sequence[VariantSlope]]
"""Asked only where a figure has no baseline of its own."""


def unknown_variant() -> Sequence[VariantSlope]:
    """Nothing is known of other units."""
    return ()


def model_of(series: Series, variant: Variant = unknown_variant) -> Model:
    """What temperature does to a figure, by its own first cycles or by its variant; None or a reason where neither says."""
    own = own_model(series)
    if isinstance(own, TemperatureModel) or not _can_be_learned(series):
        return own
    of_variant = next((each for each in variant() if each.figure == series.figure), None)
    return own if of_variant is None else _by_variant(of_variant, series)


def own_model(series: Series) -> Model:
    """By its own first cycles, if their temperature went up and down; None where it was not asked."""
    if not _can_be_learned(series):
        return None
    n = min(len(series.value), BASELINE)
    if not swept(series.degc[:n]):
        return None
    hours, breaks = hours_of(series)[:n], breaks_of(series)
    try:
        return temperature_model(
            hours,
            series.strokes[:n],
            series.value[:n],
            series.degc[:n],
            series.u[:n],
            breaks=breaks[breaks < n],
        )
    except InsufficientSamplesError:
        return None


def slope_of(every: Sequence[Series], figure: str) -> UnitSlope | None:
    """What the series of one unit, both senses of turning, say of a figure each by its own baseline; None where neither does."""
    found = [
        line
        for each in every
        if each.figure == figure and isinstance(own_model(each), TemperatureModel) and (line := _line(each))
    ]
    if not found:
        return None
    return UnitSlope(
        figure,
        float(np.mean([each.per_k for each in found])),
        float(np.sqrt(np.mean([each.u**2 for each in found]))),
        min(each.coldest_degc for each in found),
        max(each.warmest_degc for each in found),
    )


def _line(series: Series) -> UnitSlope | None:
    """Of one sense of turning: the straight line in temperature beside level and wear, whatever curve fits best."""
    n = min(len(series.value), BASELINE)
    breaks = breaks_of(series)
    hours, value, scatter = checked(
        hours_of(series)[:n], series.value[:n], series.u[:n], breaks := breaks[breaks < n]
    )
    strokes, degc = series.strokes[:n], series.degc[:n]
    worn = [(strokes - strokes.mean()) / np.ptp(strokes)] if np.ptp(strokes) > 0 else []
    columns = np.column_stack([np.ones(n), *worn, degc - degc.mean()])
    try:
        found = mixture(columns, value, scatter, usual_steps(hours, breaks), np.zeros((n, 0)))
    except InseparableError:
        return None
    level = abs(float(found.centre[0]))
    if level == 0:
        return None
    u = float(np.sqrt(found.covariance[-1, -1]))
    return UnitSlope(
        series.figure, float(found.centre[-1]) / level, u / level, float(degc.min()), float(degc.max())
    )


def variant_slopes(units: Sequence[UnitSlope]) -> tuple[VariantSlope, ...]:
    """Of slopes of units, each of which has one a figure at most; figures of too few units have none."""
    made = []
    for figure in sorted({each.figure for each in units}):
        those = [each for each in units if each.figure == figure]
        if len(those) < UNITS_MIN:
            continue
        per_k = np.array([each.per_k for each in those])
        # The scatter of a few may be less than what each is known to.
        scatter = max(per_k.var(ddof=1), np.mean([each.u**2 for each in those]))
        made.append(
            VariantSlope(
                figure,
                float(per_k.mean()),
                float(np.sqrt(scatter * (1 + 1 / len(per_k)))),
                float(len(per_k) - 1),
                len(per_k),
                min(each.coldest_degc for each in those),
                max(each.warmest_degc for each in those),
            )
        )
    return tuple(made)


def _can_be_learned(series: Series) -> bool:
    return (
        series.figure in LEARNED
        and len(series.value) >= BASELINE_MIN
        and bool(np.isfinite(series.degc).all())
    )


def _by_variant(known: VariantSlope, series: Series) -> TemperatureModel:
    """The variant's line through the first cycles of a unit: at their mean temperature nothing is added."""
    value, degc = series.value[:BASELINE], series.degc[:BASELINE]
    level, reference = float(value.mean()), float(degc.mean())
    effect: Float64s = level * known.per_k * (degc - reference)
    left = value - level - effect
    return TemperatureModel(
        curve=Curve(Kind.LINEAR, level * known.per_k, 0.0, 0.0, 1.0, 0.0),
        others=(),
        factor=((abs(level) * known.u,),),
        nu=known.nu,
        reference_degc=reference,
        coldest_degc=known.coldest_degc,
        warmest_degc=known.warmest_degc,
        explained=float(effect.std()),
        left=float(left.std(ddof=1)),
        rho=0.0,
        condition=1.0,
        points=len(value),
        units=known.units,
    )
