"""The slope of a figure against strokes or hours and its level at the end, with intervals that know how alike neighbours are.

Generalised least squares with errors of a first-order autoregression. How strong it is, whether it grows with the stated u of the
values or stands beside it, is not known: each possibility has its restricted likelihood (H. D. Patterson, R. Thompson, Biometrika 58,
1971, 545-554; from memory), and slope, level and interval are those of their mixture. The autocorrelation alone, estimated
and then taken for the truth, holds .74 to .98 where .95 is meant; the heteroscedasticity and autocorrelation consistent covariance (W. K.
Newey, K. D. West, Econometrica 55(3), 1987, 703-708) .62 to .93; the mixture .89 to 1.00 of 100 series each
(tests/benchmarks/slope_truth.py prints all of them).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import msgspec
import numpy as np

from nightturn.estimation.fingerprint import one_blas_thread
from nightturn.estimation.least_squares import CONDITION_MAX, InseparableError, factored, fit
from nightturn.estimation.quantiles import CONFIDENCE, coverage_factor
from nightturn.model.tiles import Float64s, Int64s
from nightturn.trend.block_means import RHO_MAX, UnusableSeriesError, checked
from nightturn.trend.freed import beside_white, whitened

POINTS_MIN = 30
"""With 30 values the interval holds .92 to .99 up to an autocorrelation of 0.7; with 20 it was .89, with 12 .82 (simulated)."""
POINTS_MAX = 1000
"""A covariance of more values than this takes longer than a cycle's figures; make means of longer blocks."""
INDEPENDENT_MIN = 3.0
"""A noise that leaves fewer independent values than this is as slow as the trend that is looked for."""
RHOS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, RHO_MAX)
"""Autocorrelations of neighbours that are weighed."""
WANDERS = 0.5
"""Weight of the slowest noise from which on it may be slower still."""
SHARES = (0.5, 0.8)
"""Shares of the autocorrelated noise that are weighed, where independent noise of the stated u stands beside it."""
BESIDE = 0.25
"""Weight, before anything was measured, of each of them against autocorrelated noise alone."""
ROUNDING = 8.0
"""Last digits of the largest value below which a scatter is none."""
EQUAL = 1e-2
"""Stated u that differ by less, relatively, are one u."""
ROOT = 1e-13
"""Of a half-width, to which it is found."""
FORGOTTEN = 1e-13
"""Of the likeliest noise's weight, below which one is left out of an interval."""


class Axis(StrEnum):
    """What a trend runs along."""

    STROKES = "strokes"
    HOURS = "hours"

    @property
    def per(self) -> float:
        """How many of it a slope is given for to people."""
        return 1000.0 if self is Axis.STROKES else 1.0


class Unknown(StrEnum):
    """Why there is no slope."""

    TOO_FEW = "too_few"
    TOO_SHORT = "too_short"
    INSEPARABLE = "inseparable"


class NoSlope(msgspec.Struct, frozen=True, tag="none"):
    """Why a slope cannot be told.

    Attributes:
        why: too few values; noise too slow for the span; another column runs alike.
        points: values there are.
        seen, wanted: what was too little, or too much: values, independent values, condition.
    """

    axis: Axis
    why: Unknown
    points: int
    seen: float
    wanted: float


class Slope(msgspec.Struct, frozen=True, tag="slope"):
    """A straight trend, in units of the figure and of one stroke or one hour.

    Attributes:
        first, last: positions of the first and last value.
        level, level_u: of the line at `last`; standard uncertainty.
        slope, slope_u: per stroke or per hour, the same.
        covariance: of level and slope.
        nu: degrees of freedom of both.
        points: values; independent: how many independent ones they are worth.
        rho: autocorrelation of neighbours, mean of what was weighed.
        condition: of the scaled columns.
    """

    axis: Axis
    first: float
    last: float
    level: float
    level_u: float
    slope: float
    slope_u: float
    covariance: float
    nu: float
    points: int
    independent: float
    rho: float
    condition: float

    @property
    def span(self) -> float:
        """Strokes or hours that were seen."""
        return self.last - self.first

    @property
    def half_width(self) -> float:
        """± of the slope, 95 %."""
        return coverage_factor(self.nu) * self.slope_u


@dataclass(frozen=True, slots=True)
class Mixture:
    """A least squares fit of p columns under each of k noises, and how likely each noise is.

    Attributes:
        weights, rhos: (k,) likelihood, 1 in total; autocorrelation of neighbours.
        centres: (k, p) coefficients; spreads: (k, p, p) their covariance; nu: degrees of freedom.
        common: (c, p) what each error that all values share does to the coefficients.
        condition: of the scaled columns.
    """

    weights: Float64s
    rhos: Float64s
    centres: Float64s
    spreads: Float64s
    nu: float
    common: Float64s
    condition: float

    @property
    def rho(self) -> float:
        """The mean autocorrelation of neighbours."""
        return float(self.weights @ self.rhos)

    @property
    def independent(self) -> float:
        """Independent values that the series is worth; one where it wanders, more slowly than any noise that is weighed."""
        if float(self.weights[self.rhos >= RHO_MAX].sum()) > WANDERS:
            return 1.0
        return float((self.nu + self.centres.shape[1]) * (1 - self.rho) / (1 + self.rho))

    @property
    def centre(self) -> Float64s:
        """Mean coefficients (p,)."""
        return np.asarray(self.weights @ self.centres)

    @property
    def covariance(self) -> Float64s:
        """Covariance (p, p) of the coefficients: within each noise and between them."""
        off = self.centres - self.centre
        between = np.einsum("k,ki,kj->ij", self.weights, off, off)
        return np.asarray(np.einsum("k,kij->ij", self.weights, self.spreads) + between)


@dataclass(frozen=True, slots=True)
class _Noise:
    """One noise: its autocorrelation, how likely it is beforehand less half its log determinant, columns (n, q) freed of it."""

    rho: float
    log_weight: float
    free: Float64s


def slope(
    at: Float64s,
    value: Float64s,
    u: Float64s | None = None,
    *,
    axis: Axis,
    breaks: Int64s | None = None,
    beside: Float64s | None = None,
    common: Float64s | None = None,
    common_nu: float = np.inf,
) -> Slope | NoSlope:
    """The line through the values, or why there is none. After a change, hand over what came since it.

    Args:
        at: (n,) strokes or hours, rising, without a gap that is no break.
        value: (n,) of the figure.
        u: (n,) standard uncertainty of each value for itself, without what all share; only their ratios count.
        axis: what `at` counts.
        breaks: places at which another stretch begins (a night, a remount): no memory reaches across.
        beside: (n, k) what else moves the values, such as temperature, with unknown factors. The level is that at its mean.
        common: (n, k) errors that all values share, each column one standard uncertainty, such as those of a correction.
        common_nu: their degrees of freedom.

    Raises:
        UnusableSeriesError: a gap, an order that does not rise, a value that is no number, too many values.
    """
    at, value, scatter = checked(at, value, u, breaks)
    count = len(value)
    extra = _columns(beside, count, "beside")
    shared = _columns(common, count, "common")
    wanted = POINTS_MIN + extra.shape[1]
    if count < wanted:
        return NoSlope(axis, Unknown.TOO_FEW, count, float(count), float(wanted))
    if count > POINTS_MAX:
        raise UnusableSeriesError(f"{count} values: {POINTS_MAX} at most; make means of longer blocks")
    span = float(at[-1] - at[0])
    size = float(np.abs(value - value.mean()).max()) or 1.0
    columns = np.column_stack((np.ones(count), (at - at.mean()) / span, extra - extra.mean(0)))
    try:
        found = mixture(columns, value / size, scatter, usual_steps(at, breaks), shared / size)
    except InseparableError as error:
        return NoSlope(axis, Unknown.INSEPARABLE, count, error.condition, CONDITION_MAX)
    if found.independent < INDEPENDENT_MIN:
        return NoSlope(axis, Unknown.TOO_SHORT, count, found.independent, INDEPENDENT_MIN)
    return _straight(found, at, size, axis, common_nu)


def _columns(given: Float64s | None, count: int, name: str) -> Float64s:
    """Columns (n, k) beside a series, k = 0 where there are none."""
    if given is None:
        return np.zeros((count, 0))
    columns = np.asarray(given, np.float64)
    columns = columns[:, None] if columns.ndim == 1 else columns
    if columns.ndim != 2 or len(columns) != count or not np.isfinite(columns).all():
        raise UnusableSeriesError(
            f"{name} of shape {columns.shape}: {count} rows of numbers, one for each value"
        )
    return columns


def usual_steps(at: Float64s, breaks: Int64s | None) -> Float64s:
    """Distance (n,) of each value from the one before in usual steps; infinite where a stretch begins."""
    steps = np.diff(at)
    inner = np.ones(len(steps), np.bool_)
    if breaks is not None:
        inner[np.asarray(breaks, np.int64) - 1] = False
    usual = float(np.median(steps[inner])) if inner.any() else 1.0
    return np.concatenate(([np.inf], np.where(inner, steps / usual, np.inf)))


@one_blas_thread()
def mixture(
    columns: Float64s,
    value: Float64s,
    scatter: Float64s,
    steps: Float64s,
    common: Float64s,
    condition_max: float = CONDITION_MAX,
) -> Mixture:
    """The fit under every noise that is weighed.

    Shapes: columns (n, p), value, scatter, steps (n,), common (n, c).

    Raises:
        InseparableError: the columns cannot be told apart where the noise is white.
    """
    width, nu = columns.shape[1], len(value) - columns.shape[1]
    condition = fit(columns, value, scatter**-2.0, condition_max).condition
    noises = list(_noises(np.column_stack((columns, value, common)), scatter, steps))
    free = np.array([each.free for each in noises])
    # One triangle for each noise; what white noise can tell apart was asked above.
    made = factored(free[:, :, :width])
    ends = made.solve(free[:, :, width:])
    left = free[:, :, width] - np.einsum("knp,kp->kn", free[:, :, :width], ends[:, :, 0])
    squares = np.maximum((left**2).sum(1), np.finfo(np.float64).tiny)
    half = made.half
    logs = np.array([each.log_weight for each in noises]) - made.log_volume - nu / 2 * np.log(squares)
    # What is left of values on a line is rounding, of which no noise is likelier than another: take it for white.
    rounding = len(value) * (ROUNDING * np.finfo(np.float64).eps * float(np.abs(value).max())) ** 2
    weights = np.exp(logs - logs.max()) if squares[0] > rounding else np.eye(1, len(logs))[0]
    weights /= weights.sum()
    return Mixture(
        weights=weights,
        rhos=np.array([each.rho for each in noises]),
        centres=ends[:, :, 0],
        spreads=half @ np.swapaxes(half, 1, 2) * (squares / nu)[:, None, None],
        nu=float(nu),
        common=np.einsum("k,kpc->cp", weights, ends[:, :, 1:]),
        condition=condition,
    )


def _noises(stacked: Float64s, scatter: Float64s, steps: Float64s) -> Iterator[_Noise]:
    """Columns (n, q) freed of every noise that is weighed, the white one first."""
    relative = scatter / np.sqrt(np.mean(scatter**2))
    uneven = np.ptp(relative) > EQUAL
    for rho in RHOS:
        free, log_det = whitened(stacked, rho, steps)
        yield _Noise(rho, _prior(rho) - log_det, free)
        if uneven:
            free, log_det = whitened(stacked / relative[:, None], rho, steps)
            yield _Noise(rho, _prior(rho) - log_det - float(np.log(relative).sum()), free)
    both = [(rho, share) for rho in RHOS if uneven or rho > 0 for share in SHARES]
    free, log_dets = beside_white(stacked, relative, steps, np.array(both))
    for (rho, _), one, log_det in zip(both, free, log_dets.tolist(), strict=True):
        yield _Noise(rho, _prior(rho) + float(np.log(BESIDE)) - log_det, one)


def _prior(rho: float) -> float:
    """A very slow noise is rarer than a quick one: Beta(1, 1.5), which leaves the likelihood the last word."""
    return 0.5 * float(np.log(1 - rho))


def _straight(found: Mixture, at: Float64s, size: float, axis: Axis, common_nu: float) -> Slope:
    """Level at the end and slope of the mixture, whose coefficients are level in the middle and rise over the span."""
    span = float(at[-1] - at[0])
    turn = np.zeros((2, found.centres.shape[1]))
    turn[0, :2], turn[1, 1] = (1.0, (at[-1] - at.mean()) / span), 1 / span
    centre, together = turn @ found.centre, turn @ found.covariance @ turn.T
    off = (found.centres - found.centre) @ turn.T
    scales = np.sqrt(np.einsum("ri,kij,rj->kr", turn, found.spreads, turn))
    u = np.array([_half_width(found.weights, off[:, row], scales[:, row], found.nu) for row in (0, 1)])
    u /= coverage_factor(found.nu)
    # Each u is that of its own 95 %; how level and slope go together is the mixture's.
    root = np.sqrt(np.maximum(np.diag(together), np.finfo(np.float64).tiny))
    moved = found.common @ turn.T
    shared = moved.T @ moved
    whole = together / root[:, None] / root * u[:, None] * u
    whole[[0, 1], [0, 1]] = u**2
    whole += shared
    freedom = [_freedom(float(u[row] ** 2), found.nu, float(shared[row, row]), common_nu) for row in (0, 1)]
    return Slope(
        axis=axis,
        first=float(at[0]),
        last=float(at[-1]),
        level=float(centre[0]) * size,
        level_u=float(np.sqrt(whole[0, 0])) * size,
        slope=float(centre[1]) * size,
        slope_u=float(np.sqrt(whole[1, 1])) * size,
        covariance=float(whole[0, 1]) * size**2,
        nu=min(freedom),
        points=len(at),
        independent=found.independent,
        rho=found.rho,
        condition=found.condition,
    )


def _half_width(weights: Float64s, off: Float64s, scales: Float64s, nu: float) -> float:
    """Half-width about their mean within which 95 % of a mixture of t distributions lie."""
    from scipy.optimize import brentq
    from scipy.special import stdtr

    seen = weights > weights.max() * FORGOTTEN
    weights, off = weights[seen], off[seen]
    scales = np.maximum(scales[seen], np.finfo(np.float64).tiny)

    def missing(half: float) -> float:
        both = stdtr(nu, (half - off) / scales) - stdtr(nu, (-half - off) / scales)
        return float(weights @ both) - CONFIDENCE

    high = float(np.max(np.abs(off) + coverage_factor(nu) * scales))
    low_end, high_end = missing(0.0), missing(high)
    if not low_end < 0.0 < high_end:
        return high
    return float(brentq(missing, 0.0, high, xtol=ROOT * high, rtol=ROOT))


def _freedom(own: float, nu: float, common: float, common_nu: float) -> float:
    """Degrees of freedom after Welch and Satterthwaite (JCGM 100:2008, G.4.1), never more than the parts' narrowest needs."""
    if common <= 0 or not np.isfinite(common_nu):
        return nu
    total = own + common
    return max(total**2 / (own**2 / nu + common**2 / common_nu), min(nu, common_nu))
