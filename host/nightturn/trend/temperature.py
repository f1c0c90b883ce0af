"""What temperature does to a figure, learned on a baseline, with its uncertainty and the range in which it holds.

Offered are no influence, a straight line, and a curve like that of a viscosity, size·(exp(-k (T - T0)) - 1) (O. Reynolds, Philosophical
Transactions of the Royal Society 177, 1886, 157-234: viscosity falls exponentially with temperature; from memory), the last two also with
a first-order lag of what is warm inside behind what the sensor reads (lumped heat capacity; textbook). Which of them is taken is a
matter of evidence: the Bayesian information criterion (G. Schwarz, Annals of Statistics 6(2), 1978, 461-464; from memory) with errors of a
first-order autoregression. Wear runs beside it as a line in the strokes, so that it is not taken for temperature; where the two run
alike, as they do while a unit warms up, there is no model but a reason why. What the other models would have said counts as uncertainty.
"""

from dataclasses import dataclass
from enum import StrEnum

import msgspec
import numpy as np

from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.fingerprint import one_blas_thread
from nightturn.estimation.least_squares import CONDITION_MAX, InseparableError, fit
from nightturn.model.tiles import Float64s, Int64s
from nightturn.trend.block_means import UnusableSeriesError, checked
from nightturn.trend.slope import INDEPENDENT_MIN, RHOS, mixture, usual_steps
from nightturn.trend.temperature_curves import (
    BENT_CONDITION_MAX,
    Baseline,
    Curve,
    Freed,
    Kind,
    added,
    derivatives,
    lagged,
    offered,
)

BASELINE_MIN = 40
"""Values of a baseline: fewer tell a curve from a line, and either from wear, by chance (common practice, no source)."""
BASELINE_MAX = 1000
RANGE_MIN_K = 0.5
"""A baseline whose temperature moved by less has nothing to say of temperature (common practice, no source)."""
OUTSIDE_K = 0.5
"""What lies outside the baseline by no more than this is still judged (common practice, no source)."""
ALTERNATIVE_MIN = 0.01
"""Weight below which another model is forgotten."""
CLEAR = 6.0
"""Difference of the criterion from which on one model is clearly the better."""


class NoModelWhy(StrEnum):
    """Why a baseline says nothing of temperature."""

    NO_RANGE = "no_range"
    INSEPARABLE = "inseparable"
    TOO_SLOW = "too_slow"


class TemperatureModel(msgspec.Struct, frozen=True, tag="model"):
    """The model of a baseline.

    Attributes:
        curve: the one that is taken; others: those that are not ruled out.
        factor: rows of the lower triangle whose product with its transpose is the covariance of the curve's free numbers.
        nu: their degrees of freedom.
        reference_degc: temperature at which nothing is added: the baseline's mean.
        coldest_degc, warmest_degc: range of the baseline.
        explained, left: standard deviations of what temperature explains and of what neither it nor wear does.
        rho: autocorrelation of neighbours in what is left.
        condition: of level, strokes and the curve.
        points: values of the baseline.
        units: how many other units of the variant it rests on; 0 for one that was learned on its own baseline.
    """

    curve: Curve
    others: tuple[Curve, ...]
    factor: tuple[tuple[float, ...], ...]
    nu: float
    reference_degc: float
    coldest_degc: float
    warmest_degc: float
    explained: float
    left: float
    rho: float
    condition: float
    points: int
    units: int = 0

    @property
    def clear(self) -> bool:
        """Whether no other model comes near the one that is taken."""
        return all(other.bic >= CLEAR for other in self.others)


class NoTemperatureModel(msgspec.Struct, frozen=True, tag="none"):
    """Why there is none, what was seen and what was wanted.

    The range in kelvin; the condition of level, strokes and temperature; or how many independent values a slow noise leaves.
    """

    why: NoModelWhy
    seen: float
    wanted: float


class Paused(msgspec.Struct, frozen=True, tag="paused"):
    """A trend that is not judged: how many kelvin outside the baseline, negative where colder."""

    kelvin: float


class Equilibrium(msgspec.Struct, frozen=True, tag="equilibrium"):
    """Whether temperature is level.

    Attributes:
        rate_k_per_h: of a line through the last `window_h`; None where less was seen.
        range_k_per_h: highest less lowest reading of the window over its length, which no steady rate within it exceeds.
        limit_k_per_h: what counts as standing still.
        settled: whether the range keeps to it.
    """

    rate_k_per_h: float | None
    range_k_per_h: float | None
    limit_k_per_h: float
    window_h: float
    settled: bool


@dataclass(frozen=True, slots=True)
class Correction:
    """What temperature added to each value, `shift` (n,), and what is not known of that.

    `common` (n, k), each column one standard uncertainty that all values share, as `slope.slope` takes it; `nu` their degrees of freedom.
    """

    shift: Float64s
    common: Float64s
    nu: float


@one_blas_thread()
def temperature_model(
    hours: Float64s,
    strokes: Float64s,
    value: Float64s,
    degc: Float64s,
    u: Float64s | None = None,
    *,
    breaks: Int64s | None = None,
) -> TemperatureModel | NoTemperatureModel:
    """The model that a baseline supports, or why it supports none.

    Shapes: all (n,), `hours` rising without a gap that is no break; `u` as for the slope. The level is that of the baseline's mean
    temperature, at which the model adds nothing.

    Raises:
        UnusableSeriesError: a gap, an order that does not rise, a value that is no number, too many values.
        InsufficientSamplesError: fewer than `BASELINE_MIN` values.
    """
    hours, value, scatter = checked(hours, value, u, breaks)
    strokes, degc = (
        _beside(each, len(value), name) for each, name in ((strokes, "strokes"), (degc, "temperature"))
    )
    if len(value) < BASELINE_MIN:
        raise InsufficientSamplesError(
            f"{len(value)} values: a baseline for temperature wants {BASELINE_MIN} at least"
        )
    if len(value) > BASELINE_MAX:
        raise UnusableSeriesError(f"{len(value)} values: {BASELINE_MAX} at most; make means of blocks")
    span = float(np.ptp(degc))
    if span < RANGE_MIN_K:
        return NoTemperatureModel(NoModelWhy.NO_RANGE, span, RANGE_MIN_K)
    reference = float(degc.mean())
    worn = (strokes - strokes.mean()) / (float(np.ptp(strokes)) or 1.0)
    wear = np.column_stack((np.ones(len(value)), worn)) if np.ptp(strokes) > 0 else np.ones((len(value), 1))
    base = Baseline(hours, degc, value, scatter, usual_steps(hours, breaks), wear, reference)
    try:
        fit(np.column_stack((wear, degc - reference)), value, np.ones(len(value)))
    except InseparableError as error:
        return NoTemperatureModel(NoModelWhy.INSEPARABLE, error.condition, CONDITION_MAX)
    return _chosen(base)


def correction(
    model: TemperatureModel, hours: Float64s, degc: Float64s, *, breaks: Int64s | None = None
) -> Correction:
    """What temperature added to values at these hours (n,), rising; take `shift` off them.

    Inside a stretch that begins at a break the lag begins anew, from the first reading.

    Raises:
        UnusableSeriesError: as for the model.
    """
    hours, degc, _ = checked(hours, degc, None, breaks)
    steps = usual_steps(hours, breaks)

    def of(curve: Curve) -> Float64s:
        return added(curve, lagged(hours, degc, curve.lag_h, np.isinf(steps)) - model.reference_degc)

    shift = of(model.curve)
    own = np.zeros((len(degc), 0))
    if model.curve.kind is not Kind.NONE:
        own = derivatives(model.curve, hours, degc, np.isinf(steps), model.reference_degc) @ np.array(
            model.factor
        )
    apart = [np.sqrt(other.weight) * (of(other) - shift) for other in model.others]
    return Correction(shift, np.column_stack((own, *apart)) if apart else own, model.nu)


def explained(
    model: TemperatureModel, hours: Float64s, degc: Float64s, *, breaks: Int64s | None = None
) -> Float64s:
    """The shift of `correction` alone, for one value after the other; hours (n,) that rise are not looked at again."""
    begins = np.zeros(len(hours), np.bool_)
    if breaks is not None and len(breaks):
        begins[np.asarray(breaks, np.int64)] = True
    return added(model.curve, lagged(hours, degc, model.curve.lag_h, begins) - model.reference_degc)


def paused(model: TemperatureModel, degc: Float64s) -> Paused | None:
    """By how much readings (n,) lie outside the baseline's range, the worst of them; None where the trend can be judged.

    Raises:
        UnusableSeriesError: no readings, or one that is no number.
    """
    if not len(degc) or not np.isfinite(degc).all():
        raise UnusableSeriesError(
            "temperatures without a reading or with one that is no number: leave out values that were not measured"
        )
    below = float(np.min(degc)) - model.coldest_degc
    above = float(np.max(degc)) - model.warmest_degc
    worst = below if -below > above else above
    return Paused(worst) if max(-below, above) > OUTSIDE_K else None


def equilibrium(
    hours: Float64s, degc: Float64s, *, limit_k_per_h: float, window_h: float = 1.0
) -> Equilibrium:
    """Whether temperature stood still over the last `window_h` of readings (n,).

    Raises:
        UnusableSeriesError: a gap, an order that does not rise, a reading that is no number.
    """
    hours, degc, _ = checked(hours, degc, None)
    late = hours >= hours[-1] - window_h * (1 + 1e-9)
    span = float(np.ptp(hours[late]))
    # The first reading within a window lies up to a step inside it.
    if late.all() and span < window_h * (1 - 1e-9):
        return Equilibrium(None, None, limit_k_per_h, window_h, settled=False)
    at, read = hours[late] - hours[late].mean(), degc[late]
    if len(read) < 2:
        return Equilibrium(None, None, limit_k_per_h, window_h, settled=False)
    rate = float(at @ read) / float(at @ at)
    most = float(np.ptp(read)) / span
    return Equilibrium(rate, most, limit_k_per_h, window_h, settled=most <= limit_k_per_h)


def _beside(given: Float64s, count: int, name: str) -> Float64s:
    """A column of numbers beside the values."""
    column = np.asarray(given, np.float64)
    if column.shape != (count,) or not np.isfinite(column).all():
        raise UnusableSeriesError(f"{name} of shape {column.shape}: {count} numbers, one for each value")
    return column


def _weighed(base: Baseline) -> list[Curve]:
    """What is offered, the best first, each with its weight and how much worse it is."""
    kinds = (
        (Kind.NONE, False),
        *((kind, lag) for kind in (Kind.LINEAR, Kind.VISCOUS) for lag in (False, True)),
    )
    freed = [Freed.of(base, rho) for rho in RHOS]
    every = (offered(base, freed, kind, has_lag=has_lag) for kind, has_lag in kinds)
    found = [each for each in every if each is not None]
    found.sort(key=lambda each: each[0])
    best = found[0][0]
    weights = np.exp([(best - bic) / 2 for bic, _ in found])
    weights /= weights.sum()
    return [
        msgspec.structs.replace(curve, weight=float(weight), bic=float(bic - best))
        for (bic, curve), weight in zip(found, weights, strict=True)
    ]


def _chosen(base: Baseline) -> TemperatureModel | NoTemperatureModel:
    """The best of what is offered, its covariance, and what the others are worth."""
    curve, *others = _weighed(base)
    begins = np.isinf(base.steps)
    effect = added(curve, lagged(base.hours, base.degc, curve.lag_h, begins) - base.reference_degc)
    shape = np.zeros((len(effect), 0))
    if curve.kind is not Kind.NONE:
        shape = derivatives(curve, base.hours, base.degc, begins, base.reference_degc)
    rest = base.value - effect
    nothing = np.zeros((len(effect), 0))
    noise = mixture(
        np.column_stack((base.wear, shape)), rest, base.scatter, base.steps, nothing, BENT_CONDITION_MAX
    )
    if noise.independent < INDEPENDENT_MIN:
        return NoTemperatureModel(NoModelWhy.TOO_SLOW, noise.independent, INDEPENDENT_MIN)
    wear = base.wear.shape[1]
    left = rest - base.wear @ noise.centre[:wear]
    return TemperatureModel(
        curve=curve,
        others=tuple(each for each in others if each.weight >= ALTERNATIVE_MIN),
        factor=_rows(noise.covariance[wear:, wear:]),
        nu=noise.nu,
        reference_degc=base.reference_degc,
        coldest_degc=float(base.degc.min()),
        warmest_degc=float(base.degc.max()),
        explained=float(effect.std()),
        left=float(np.sqrt(left @ left / noise.nu)),
        rho=noise.rho,
        condition=_condition(base, effect),
        points=len(effect),
    )


def _rows(covariance: Float64s) -> tuple[tuple[float, ...], ...]:
    """Cholesky's factor of a covariance, scaled so that numbers of different size keep their digits."""
    if not covariance.size:
        return ()
    scale = np.sqrt(np.maximum(np.diag(covariance), np.finfo(np.float64).tiny))
    correlation = covariance / scale[:, None] / scale + 1e-12 * np.eye(len(scale))
    factor = np.linalg.cholesky(correlation) * scale[:, None]
    return tuple(tuple(row) for row in factor.tolist())


def _condition(base: Baseline, effect: Float64s) -> float:
    """The condition of level, strokes and what temperature adds; of level and strokes where it adds nothing."""
    curve = (effect - effect.mean())[:, None] if np.ptp(effect) > 0 else np.zeros((len(effect), 0))
    return fit(np.column_stack((base.wear, curve)), base.value, np.ones(len(effect))).condition
