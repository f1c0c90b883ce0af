"""The curves by which a figure may follow temperature, and the search for the one that fits a baseline best.

A line, or the exponential of a viscosity; with or without a first-order lag behind the sensor. Bend and lag are searched for on a grid
and then by a simplex (J. A. Nelder, R. Mead, The Computer Journal 7, 1965, 308-313); for each of them size, level and wear follow by
linear least squares (variable projection: G. H. Golub, V. Pereyra, SIAM Journal on Numerical Analysis 10, 1973, 413-432; from memory).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import msgspec
import numpy as np

from nightturn.estimation.least_squares import InseparableError, factored, fit
from nightturn.estimation.turns import Bools
from nightturn.model.tiles import Float64s
from nightturn.trend.freed import whitened

RATES_PER_K = (0.005, 0.01, 0.02, 0.035, 0.05, 0.08)
"""Where the search for a bend begins; greases thin out by 2 to 6 % a kelvin (common practice, no source)."""
RATE_MIN, RATE_MAX = 0.002, 0.2
"""A bend at either end is none that a lubricant has: it stands for something else, and the curve is not offered."""
EDGE = 0.01
LAGS = 7
"""Lags from which the search begins, between one step and a third of the baseline."""
BENT_CONDITION_MAX = 1e4
"""Size and bend of a curve go together over a few kelvin; what that leaves open is in their covariance."""
DIFFERENCE = 1e-4
"""Relative change over which the curve's derivatives are taken."""


class Kind(StrEnum):
    """How a figure follows temperature."""

    NONE = "none"
    LINEAR = "linear"
    VISCOUS = "viscous"


class Curve(msgspec.Struct, frozen=True):
    """What temperature adds to a figure, nothing at the reference temperature.

    Attributes:
        size: per kelvin for a line; of the part that thins out, at the reference, for a curve.
        per_k: by which share of it that part falls with each kelvin; 0 for a line.
        lag_h: time constant behind the sensor.
        weight: how likely this model is among those that were offered.
        bic: the criterion, less that of the best.
    """

    kind: Kind
    size: float
    per_k: float
    lag_h: float
    weight: float
    bic: float


@dataclass(frozen=True, slots=True)
class Baseline:
    """The baseline as arrays (n,); `steps` between values; `wear` (n, 2) a level and a line in the strokes."""

    hours: Float64s
    degc: Float64s
    value: Float64s
    scatter: Float64s
    steps: Float64s
    wear: Float64s
    reference_degc: float


@dataclass(frozen=True, slots=True)
class Freed:
    """A baseline freed of one autocorrelation `rho`, and of level and wear: what is left of the value (n,), and half the log determinant."""

    rho: float
    value: Float64s
    log_det: float
    _wear: Float64s
    _relative: Float64s
    _steps: Float64s

    @staticmethod
    def of(base: Baseline, rho: float) -> "Freed":
        """Of a baseline."""
        relative = base.scatter / base.scatter.mean()
        free, log_det = whitened(
            np.column_stack((base.wear, base.value)) / relative[:, None], rho, base.steps
        )
        wear, value = factored(free[:, :-1]).basis, free[:, -1]
        return Freed(rho, value - wear @ (wear.T @ value), log_det, wear, relative, base.steps)

    def criterion(self, shapes: Float64s) -> tuple[Float64s, Float64s]:
        """-2 ln likelihood (k,) of each shape (n, k) beside level and wear, and its size (k,); a shape of zeros adds nothing."""
        count, value = len(self.value), self.value
        free = whitened(shapes / self._relative[:, None], self.rho, self._steps)[0]
        columns = free - self._wear @ (self._wear.T @ free)
        squares = (columns**2).sum(0)
        size = np.divide(columns.T @ value, squares, out=np.zeros(len(squares)), where=squares > 0)
        total = float(value @ value)
        left = np.maximum(total - size**2 * squares, np.finfo(np.float64).eps ** 2 * total)
        return count * np.log(np.maximum(left / count, np.finfo(np.float64).tiny)) + 2 * self.log_det, size


def lagged(hours: Float64s, degc: Float64s, lag_h: float, begins: Bools) -> Float64s:
    """Temperature (n,) of what follows the sensor with a first-order lag; `begins` (n,) where it is taken to stand with it.

    Between readings temperature moves along a line, for which the lag has a closed answer.
    """
    if lag_h <= 0:
        return degc
    step = np.diff(hours)
    behind = lag_h * np.diff(degc) / step
    kept = np.where(begins[1:], 0.0, np.exp(-step / lag_h))
    driven = np.where(begins[1:], degc[1:], degc[1:] - behind + (behind - degc[:-1]) * kept)
    inside = [float(degc[0])]
    # Numbers of Python: a loop over elements of arrays takes ten times as long, and this one stands inside a search.
    for drive, keep in zip(driven.tolist(), kept.tolist(), strict=True):
        inside.append(drive + keep * inside[-1])
    return np.array(inside)


def added(curve: Curve, above: Float64s) -> Float64s:
    """What the curve adds at so many kelvin above the reference."""
    if curve.kind is Kind.NONE:
        return np.zeros(len(above))
    return curve.size * (above if curve.kind is Kind.LINEAR else np.expm1(-curve.per_k * above))


def derivatives(curve: Curve, hours: Float64s, degc: Float64s, begins: Bools, reference: float) -> Float64s:
    """Derivatives (n, k) by the curve's free numbers: size, bend, lag."""
    above = lagged(hours, degc, curve.lag_h, begins) - reference
    columns = [above if curve.kind is Kind.LINEAR else np.expm1(-curve.per_k * above)]
    if curve.kind is Kind.VISCOUS:
        columns.append(-curve.size * above * np.exp(-curve.per_k * above))
    if curve.lag_h > 0:
        more = lagged(hours, degc, curve.lag_h * (1 + DIFFERENCE), begins) - reference
        columns.append((added(curve, more) - added(curve, above)) / (curve.lag_h * DIFFERENCE))
    return np.column_stack(columns)


def offered(
    base: Baseline, freed: Sequence[Freed], kind: Kind, *, has_lag: bool
) -> tuple[float, Curve] | None:
    """The criterion and the best curve of a kind; None where it cannot be told from wear, or its numbers from one another.

    `freed` is the baseline under each autocorrelation that is weighed.
    """
    count = len(base.value)
    if kind is Kind.NONE:
        nothing = np.zeros((count, 1))
        return min(each.criterion(nothing)[0][0] for each in freed), Curve(kind, 0.0, 0.0, 0.0, 0.0, 0.0)
    starts = list(_starts(base, kind, has_lag=has_lag))
    shapes = np.column_stack([_shape(base, kind, rate, lag) for rate, lag in starts])
    table = np.array([each.criterion(shapes)[0] for each in freed])
    rho_at, start = np.unravel_index(int(table.argmin()), table.shape)
    best = freed[int(rho_at)]
    rate, lag = _polished(base, best, kind, starts[int(start)])
    if kind is Kind.VISCOUS and not RATE_MIN * (1 + EDGE) < rate < RATE_MAX * (1 - EDGE):
        return None
    shape = _shape(base, kind, rate, lag)[:, None]
    bic, size = min((float(b[0]), float(s[0])) for b, s in (each.criterion(shape) for each in freed))
    curve = Curve(kind, size, rate, lag, 0.0, 0.0)
    begins = np.isinf(base.steps)
    try:
        fit(np.column_stack((base.wear, shape - shape.mean())), base.value, np.ones(count))
        columns = derivatives(curve, base.hours, base.degc, begins, base.reference_degc)
        free = whitened(np.column_stack((base.wear, columns)), best.rho, base.steps)[0]
        fit(free, free[:, 0], np.ones(count), BENT_CONDITION_MAX)
    except InseparableError:
        return None
    free_numbers = columns.shape[1]
    return bic + free_numbers * float(np.log(count)), curve


def _starts(base: Baseline, kind: Kind, *, has_lag: bool) -> Iterator[tuple[float, float]]:
    """Bends and lags from which the search begins."""
    span, step = float(np.ptp(base.hours)), float(np.median(np.diff(base.hours)))
    lags = np.geomspace(step, span / 3, LAGS).tolist() if has_lag else [0.0]
    for rate in RATES_PER_K if kind is Kind.VISCOUS else (0.0,):
        yield from ((rate, lag) for lag in lags)


def _shape(base: Baseline, kind: Kind, rate: float, lag: float) -> Float64s:
    """What a curve of size one adds."""
    above = lagged(base.hours, base.degc, lag, np.isinf(base.steps)) - base.reference_degc
    return added(Curve(kind, 1.0, rate, lag, 0.0, 0.0), above)


def _polished(base: Baseline, freed: Freed, kind: Kind, start: tuple[float, float]) -> tuple[float, float]:
    """The bend and the lag near a start for which the likelihood is largest."""
    from scipy.optimize import minimize

    free = [place for place, number in enumerate(start) if number > 0]
    if not free:
        return start
    step, span = float(np.median(np.diff(base.hours))), float(np.ptp(base.hours))
    low, high = np.log([RATE_MIN, step / 4])[free], np.log([RATE_MAX, span / 2])[free]

    def numbers(logs: Float64s) -> tuple[float, float]:
        both = list(start)
        for place, log in zip(free, np.clip(logs, low, high), strict=True):
            both[place] = float(np.exp(log))
        return both[0], both[1]

    def cost(logs: Float64s) -> float:
        return float(freed.criterion(_shape(base, kind, *numbers(logs))[:, None])[0][0])

    found = minimize(
        cost,
        np.log(np.array(start)[free]),
        method="Nelder-Mead",
        options={"maxfev": 120, "xatol": 1e-3, "fatol": 1e-3},
    )
    return numbers(found.x)
