"""Readings of a calibration: series up and down in several positions, and what they say of the channel.

Each series begins with a reading without load, which is taken off its others. The definitions are generic ones: repeatability
between series in one position, reproducibility between positions, reversibility between rising and falling loads, the zero's
return, deviation from the fitted line. No class of any standard is claimed.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from nightturn.errors import CalibrationError
from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s

LOADS_MIN = 3
"""Different loads without which a line and a curve cannot be told apart."""
CUBIC_SURE = 0.99
SERIES_MIN = 3
"""With as many their scatter speaks for itself; with fewer that of the readings does."""
SAME_LOAD = 1e-6
FOLLOWS_MIN = 0.99
"""Correlation of outputs and torques; less is another column."""
NORMAL_95 = 1.959964


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading: torque applied in N·m with its sign, the channel's output, number of the series and position in degrees."""

    torque_nm: float
    output: float
    series: int
    position_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Calibrated:
    """What readings say.

    Attributes:
        slope: output per N·m where the torque is small, signed. cubic: output per (N·m)³, 0 where nothing speaks for it.
        p_cubic: chance of as much curvature by scatter alone; 1 where it was not looked for.
        u_slope_rel: of the slope, from scatter alone, its 95 % interval over 1.96; nu: degrees of freedom behind it.
        full_scale_nm: largest torque.
        linearity, hysteresis, zero_return: largest deviation from the line, half of the largest difference of falling and
            rising load, zero after against before, each of the output at full scale.
        repeatability, reproducibility: largest spread between series in one position, and between positions, of the reading; None
            where only one series or position was taken.
        asymmetry: slopes of both senses, their difference over their mean; None where one sense was loaded.
        residuals: (torque, mean of what is left of the reading, of full scale), by rising torque.
    """

    slope: float
    cubic: float
    p_cubic: float
    u_slope_rel: float
    nu: float
    full_scale_nm: float
    linearity: float
    hysteresis: float
    zero_return: float
    repeatability: float | None
    reproducibility: float | None
    asymmetry: float | None
    residuals: tuple[tuple[float, float], ...]
    series: int


@dataclass(frozen=True, slots=True)
class _Series:
    """One series without its zero: torques and outputs in their order, whether each load was falling, and the zero's return."""

    number: int
    position_deg: float
    torque_nm: Float64s
    output: Float64s
    falling: tuple[bool, ...]
    zero_return: float


def calibrated(readings: Sequence[Reading]) -> Calibrated:
    """The channel by its readings, in the order in which they were taken.

    Raises:
        CalibrationError: too few loads, a series that does not begin without load, or outputs that do not follow the torque.
    """
    series = _series(readings)
    torque, output = (
        np.concatenate([getattr(each, name) for each in series]) for name in ("torque_nm", "output")
    )
    full = float(np.abs(torque).max())
    loads = {round(value, 9) for value in torque.tolist() if abs(value) > SAME_LOAD * full}
    if len(loads) < LOADS_MIN:
        raise CalibrationError(f"{len(loads)} different loads; read at {LOADS_MIN} or more besides none")
    fit = _fit(series, full)
    if not fit.slope or _correlation(torque, output) < FOLLOWS_MIN:
        raise CalibrationError(
            "the outputs do not follow the torques; check the columns and the sign of the loads"
        )
    u_rel, nu = _u_slope(series, fit)
    scale = abs(fit.slope) * full
    loaded = np.abs(torque) > SAME_LOAD * full
    torque, output = torque[loaded], output[loaded]
    return Calibrated(
        slope=fit.slope,
        cubic=fit.cubic,
        p_cubic=fit.p_cubic,
        u_slope_rel=u_rel,
        nu=nu,
        full_scale_nm=full,
        linearity=float(np.abs(_means(torque, output - fit.slope * torque)[1]).max()) / scale,
        hysteresis=_hysteresis(series) / 2 / scale,
        zero_return=max(abs(each.zero_return) for each in series) / scale,
        repeatability=_spread(series, same_position=True),
        reproducibility=_spread(series, same_position=False),
        asymmetry=_asymmetry(torque, output),
        residuals=_residuals(torque, output - fit.slope * torque - fit.cubic * torque**3, scale),
        series=len(series),
    )


def _series(readings: Sequence[Reading]) -> list[_Series]:
    by: dict[int, list[Reading]] = defaultdict(list)
    for each in readings:
        by[each.series].append(each)
    if not by:
        raise CalibrationError("no readings; give one at least without load and three with")
    found = []
    largest = max(abs(each.torque_nm) for each in readings)
    for name, some in by.items():
        if abs(some[0].torque_nm) > SAME_LOAD * largest:
            raise CalibrationError(
                f"series {name} begins at {quantity(some[0].torque_nm, 'N·m')}; begin each series with a reading without load"
            )
        if len({each.position_deg for each in some}) > 1:
            raise CalibrationError(
                f"series {name} has several positions; begin a new series after turning the transducer"
            )
        zero = some[0].output
        back = [each.output for each in some[1:] if abs(each.torque_nm) <= SAME_LOAD * largest]
        found.append(
            _Series(
                name,
                some[0].position_deg,
                np.array([each.torque_nm for each in some]),
                np.array([each.output - zero for each in some]),
                (False, *(abs(one.torque_nm) > abs(other.torque_nm) for one, other in pairwise(some))),
                max((value - zero for value in back), key=abs, default=0.0),
            )
        )
    return found


@dataclass(frozen=True, slots=True)
class _Fit:
    """Output per N·m and per (N·m)³, the chance of the latter, and the slope's standard uncertainty by scatter with nu."""

    slope: float
    cubic: float
    p_cubic: float
    u_slope: float
    nu: float


def _fit(series: Sequence[_Series], full: float) -> _Fit:
    """A line with a zero for every series, unless what a cubic explains more is beyond chance (F test)."""
    x = np.concatenate([each.torque_nm for each in series]) / full
    output = np.concatenate([each.output for each in series])
    own = np.repeat(np.arange(len(series)), [len(each.output) for each in series])
    zeros = (own[:, None] == np.arange(len(series))).astype(np.float64)
    line, u_line, left, nu = _least_squares(np.column_stack((x, zeros)), output)
    if nu > 1 and len({round(abs(value), 9) for value in x.tolist() if value}) >= LOADS_MIN:
        curve, u_curve, curved, nu_curve = _least_squares(np.column_stack((x, x**3, zeros)), output)
        p = _chance((left - curved) / (curved / nu_curve), nu_curve) if curved > 0 else 1.0
        if p < 1 - CUBIC_SURE:
            return _Fit(float(curve[0]) / full, float(curve[1]) / full**3, p, u_curve / full, nu_curve)
        return _Fit(float(line[0]) / full, 0.0, p, u_line / full, nu)
    return _Fit(float(line[0]) / full, 0.0, 1.0, u_line / full, max(nu, 1.0))


def _least_squares(design: Float64s, output: Float64s) -> tuple[Float64s, float, float, float]:
    """Coefficients, standard uncertainty of the first, sum of squares that is left, degrees of freedom."""
    # Of the design itself, by its singular values, not of its normal equations: the first row weighs the outputs.
    inverse = np.linalg.pinv(design)
    found = inverse @ output
    left = output - design @ found
    squares, nu = float(left @ left), float(len(output) - design.shape[1])
    variance = float(inverse[0] @ inverse[0])
    return np.asarray(found, np.float64), math.sqrt(variance * squares / max(nu, 1.0)), squares, nu


def _chance(f: float, nu: float) -> float:
    """Chance of a ratio of variances as large, with 1 and nu degrees of freedom."""
    from scipy.special import fdtrc

    return float(fdtrc(1, nu, max(f, 0.0)))


def _correlation(torque: Float64s, output: Float64s) -> float:
    return abs(float(torque @ output)) / math.sqrt(float(torque @ torque) * float(output @ output) or 1.0)


def _u_slope(series: Sequence[_Series], fit: _Fit) -> tuple[float, float]:
    """Relative standard uncertainty of the slope, wide enough that 1.96 times it is the 95 % interval, and its degrees of freedom.

    By how the slopes of the series scatter where there are enough, so that remounting is in it, and never less than by the scatter
    about the fit.
    """
    u, nu = fit.u_slope, fit.nu
    wide = u * _t_95(nu)
    if len(series) >= SERIES_MIN:
        slopes = np.array(
            [_own_slope(each.torque_nm, each.output - fit.cubic * each.torque_nm**3) for each in series]
        )
        between = float(slopes.std(ddof=1)) / math.sqrt(len(slopes)) * _t_95(len(slopes) - 1)
        wide, nu = (between, len(slopes) - 1.0) if between > wide else (wide, nu)
    return wide / NORMAL_95 / abs(fit.slope), nu


def _own_slope(torque: Float64s, output: Float64s) -> float:
    """The slope of one series with a zero of its own."""
    off = torque - torque.mean()
    return float(off @ output) / float(off @ off)


def _t_95(nu: float) -> float:
    """The factor of the two-sided 95 % interval, Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(nu, 0.975))


def _slope_of(torque: Float64s, output: Float64s) -> float:
    return float(torque @ output) / float(torque @ torque)


def _means(torque: Float64s, values: Float64s) -> tuple[Float64s, Float64s]:
    """Each load once, rising, and the mean value at it."""
    loads, places = np.unique(np.round(torque, 9), return_inverse=True)
    return loads, np.bincount(places, values) / np.bincount(places)


def _residuals(torque: Float64s, left: Float64s, scale: float) -> tuple[tuple[float, float], ...]:
    loads, means = _means(torque, left)
    return tuple(zip(loads.tolist(), (means / scale).tolist(), strict=True))


def _hysteresis(series: Sequence[_Series]) -> float:
    """Largest difference of falling and rising load at one step of one series, in output."""
    largest = 0.0
    for each in series:
        rising = {
            round(t, 9): y
            for t, y, down in zip(each.torque_nm, each.output, each.falling, strict=True)
            if not down
        }
        for t, y, down in zip(each.torque_nm, each.output, each.falling, strict=True):
            if down and t and round(t, 9) in rising:
                largest = max(largest, abs(float(y) - float(rising[round(t, 9)])))
    return largest


def _spread(series: Sequence[_Series], *, same_position: bool) -> float | None:
    """Largest spread of rising readings at one load, of their mean: of series in one position, or of positions' means."""
    by: dict[float, dict[float, list[float]]] = defaultdict(lambda: defaultdict(list))
    for each in series:
        for t, y, down in zip(each.torque_nm.tolist(), each.output.tolist(), each.falling, strict=True):
            if not down and t:
                by[round(t, 9)][each.position_deg].append(y)
    spreads = []
    for positions in by.values():
        groups = (
            list(positions.values())
            if same_position
            else [[sum(some) / len(some) for some in positions.values()]]
        )
        spreads += [(max(some) - min(some)) / abs(sum(some) / len(some)) for some in groups if len(some) > 1]
    return max(spreads, default=None)


def _asymmetry(torque: Float64s, output: Float64s) -> float | None:
    up, down = torque > 0, torque < 0
    if not up.any() or not down.any():
        return None
    one, other = _slope_of(torque[up], output[up]), _slope_of(torque[down], output[down])
    return (one - other) / ((one + other) / 2)


def said(found: Calibrated) -> list[tuple[str, str]]:
    """In rows of name and value, for a person."""

    def share(value: float | None, of: str) -> str:
        return (
            "not seen: one series or position only" if value is None else f"{number(100 * value, 2)} % {of}"
        )

    curve = f"line and cubic term (p {number(found.p_cubic, 2)})" if found.cubic else "straight line"
    return [
        ("fit", f"{curve}; {found.series} series to {quantity(found.full_scale_nm, 'N·m')}"),
        ("linearity", share(found.linearity, "of full scale")),
        ("reversibility", f"{share(2 * found.hysteresis, 'of full scale')} between falling and rising load"),
        ("zero return", share(found.zero_return, "of full scale")),
        ("repeatability", share(found.repeatability, "of the reading")),
        ("reproducibility", share(found.reproducibility, "of the reading, between positions")),
        (
            "both senses",
            "one sense was loaded"
            if found.asymmetry is None
            else f"slopes {number(100 * found.asymmetry, 2)} % apart",
        ),
        (
            "residuals",
            ", ".join(
                f"{quantity(torque, 'N·m')}: {number(100 * left, 2)} %" for torque, left in found.residuals
            ),
        ),
    ]
