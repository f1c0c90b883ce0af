"""Means of consecutive values that are alike, with the number of independent values that each of them is worth.

Neighbouring cycles share the state of grease, bearing and room, so that ten of them say less than ten independent ones. The lag-one
autocorrelation of what a straight line leaves is corrected for the downward bias of a short series (P. Shaman, R. A. Stine, Journal
of the American Statistical Association 83(403), 1988, 842-848: -(2 + 4ρ)/n where a line was fitted; from memory), and the variance of
a mean of m such values is σ²/m times 1 + 2 Σ (1 - k/m) ρ^k (textbook result for a first-order autoregression).
"""

import msgspec
import numpy as np

from nightturn.errors import InsufficientSamplesError, NightturnError
from nightturn.estimation.least_squares import fit
from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s, Int64s

LENGTH = 10
"""Values in a block, unless the caller says otherwise."""
VALUES_MIN = 10
"""Fewer values say nothing of how alike neighbours are: the correction of the bias alone is 0.2 with ten."""
RHO_MAX = 0.98
"""Largest autocorrelation that is reckoned with: beyond it, a series of some hundred values is one value and its drift."""
GAP_STEPS = 3.0
"""A step of more than this many usual steps is a gap: something was not measured there, or not handed over."""


class UnusableSeriesError(NightturnError):
    """A series with a hole, out of order, or with values that are no numbers: the text says where and what to do."""


class BlockMeans(msgspec.Struct, frozen=True):
    """Means of blocks of equal length.

    Attributes:
        at, value, u: (blocks,) mean position, mean, and its standard uncertainty from the scatter within the whole series.
        length: values in each block.
        rho: lag-one autocorrelation, corrected for its bias, from 0 to `RHO_MAX`.
        independent: values that a block is worth, at most `length`.
        left_out: values at the end that fill no block.
    """

    at: tuple[float, ...]
    value: tuple[float, ...]
    u: tuple[float, ...]
    length: int
    rho: float
    independent: float
    left_out: int


def block_means(at: Float64s, value: Float64s, u: Float64s | None = None, length: int = LENGTH) -> BlockMeans:
    """Means of consecutive values in blocks of `length`, each with its standard uncertainty.

    Shapes: at (n,) strokes or hours, rising without a gap; value (n,); u (n,) how much each value scatters beside the others, only their
    ratios count. A level that moves along a line is no scatter.

    Raises:
        UnusableSeriesError: a gap, an order that does not rise, a value that is no number.
        InsufficientSamplesError: fewer than `VALUES_MIN` values, or than two blocks.
    """
    at, value, scatter = checked(at, value, u)
    if length < 1:
        raise UnusableSeriesError(f"a block of {length} values: a block has at least one")
    blocks = len(value) // length
    if len(value) < VALUES_MIN or blocks < 2:
        raise InsufficientSamplesError(
            f"{len(value)} values: means of blocks of {length} want {max(VALUES_MIN, 2 * length)} at least"
        )
    residual = straight_residual(at, value, scatter)
    rho = autocorrelation(residual)
    kept = blocks * length
    # What a line and its autocorrelation take from the scatter: n - 2 for white noise, less for a slow one.
    variance = float(residual @ residual) / (len(value) - 2)
    variance *= inflation_of_variance(len(value), rho)
    independent = length / mean_inflation(length, rho)
    squares = (scatter[:kept] ** 2).reshape(blocks, length).mean(1)
    means = [each[:kept].reshape(blocks, length).mean(1) for each in (at, value)]
    return BlockMeans(
        at=tuple(means[0].tolist()),
        value=tuple(means[1].tolist()),
        u=tuple(np.sqrt(variance * squares / independent).tolist()),
        length=length,
        rho=rho,
        independent=independent,
        left_out=len(value) - kept,
    )


def checked(
    at: Float64s, value: Float64s, u: Float64s | None, breaks: Int64s | None = None
) -> tuple[Float64s, Float64s, Float64s]:
    """The series as arrays of floats; `u` (n,) all ones where none is given. `breaks` are the places at which a stretch begins.

    Raises:
        UnusableSeriesError: different lengths, a value that is no number, an order that does not rise, a gap that is no break.
    """
    at, value = np.asarray(at, np.float64), np.asarray(value, np.float64)
    scatter = np.ones(len(value)) if u is None else np.asarray(u, np.float64)
    if not at.ndim == value.ndim == scatter.ndim == 1 or not len(at) == len(value) == len(scatter):
        shapes = " and ".join(str(each.shape) for each in (at, value, scatter))
        raise UnusableSeriesError(
            f"positions, values and their u have the shapes {shapes}: one of each for every value"
        )
    for name, each in (("position", at), ("value", value), ("u", scatter)):
        bad = np.flatnonzero(~np.isfinite(each))
        if bad.size:
            raise UnusableSeriesError(
                f"{name} {bad[0]} is {each[bad[0]]}: leave out values that were not measured"
            )
    if (scatter <= 0).any():
        raise UnusableSeriesError(
            f"u {int(np.argmax(scatter <= 0))} is not positive: every value has a scatter"
        )
    steps = np.diff(at)
    if (steps <= 0).any():
        place = int(np.argmax(steps <= 0)) + 1
        raise UnusableSeriesError(
            f"position {place} does not lie behind the one before: sort the series and take each value once"
        )
    _refuse_gap(at, steps, breaks)
    return at, value, scatter


def _refuse_gap(at: Float64s, steps: Float64s, breaks: Int64s | None) -> None:
    """Raise where a step is much longer than the others and nobody said so."""
    if not steps.size:
        return
    known = np.zeros(len(steps), np.bool_)
    if breaks is not None and len(breaks):
        places = np.asarray(breaks, np.int64)
        if places.min() < 1 or places.max() >= len(at):
            raise UnusableSeriesError(
                f"a break at {places.tolist()}: breaks are places from 1 to {len(at) - 1}"
            )
        known[places - 1] = True
    usual = float(np.median(steps[~known])) if not known.all() else float("inf")
    gaps = np.flatnonzero((steps > GAP_STEPS * usual) & ~known)
    if gaps.size:
        place = int(gaps[0]) + 1
        raise UnusableSeriesError(
            f"a gap before position {place}: a step of {number(float(steps[place - 1]), 3)} among steps of {number(usual, 3)}; "
            "cut the series there, or name the break"
        )


def straight_residual(at: Float64s, value: Float64s, scatter: Float64s) -> Float64s:
    """What a weighted line leaves, in units of the scatter (n,)."""
    columns = np.column_stack((np.ones(len(at)), (at - at.mean()) / np.ptp(at)))
    return np.asarray((value - columns @ fit(columns, value, scatter**-2.0).x) / scatter)


def autocorrelation(residual: Float64s) -> float:
    """Lag-one autocorrelation of what a line left (n,), n at least `VALUES_MIN`, corrected for its bias, from 0 to `RHO_MAX`."""
    count, total = len(residual), float(residual @ residual)
    if total <= 0:
        return 0.0
    seen = float(residual[1:] @ residual[:-1]) / total
    return float(np.clip((count * seen + 2) / (count - 4), 0.0, RHO_MAX))


def mean_inflation(count: int, rho: float) -> float:
    """By how much the variance of a mean of `count` values exceeds that of independent ones."""
    lags = np.arange(1, count)
    return float(1 + 2 * ((1 - lags / count) * rho**lags).sum())


def inflation_of_variance(count: int, rho: float) -> float:
    """By how much the residual variance about a line falls short: 1 for white noise, more for a slow one.

    A line takes the mean and the slope out of the residuals; each takes the share of the variance that an autocorrelated
    noise has there, which for the slope is at most that for the mean.
    """
    return (count - 2) / max(count - 2 * mean_inflation(count, rho), 1.0)
