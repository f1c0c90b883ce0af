"""The course of one figure since the last known step: what temperature explains, what changed, and how it goes on.

What temperature does to friction is learned on the first cycles, whose warm-up moves it most, and taken off. Changes and slope are
judged where the unit has warmed up; where nothing could be learned, what temperature may have done is not called a change.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from nightturn.estimation.figures import BREAKAWAY, COGGING_PP, FRICTION, RIPPLE_PP, RIPPLE_RMS, ZERO
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.turns import Bools
from nightturn.model.certificates import Certificate, standard
from nightturn.model.figures import NU_MANY
from nightturn.model.tiles import Float64s
from nightturn.model.trends import Warmed
from nightturn.trend.block_means import LENGTH, block_means
from nightturn.trend.change_point import LEAST, PENALTY, VALUES_MIN, Change, Found, Kind, changes
from nightturn.trend.learning import LEARNED, Model, Variant, model_of, unknown_variant
from nightturn.trend.mann_kendall import MannKendall, mann_kendall
from nightturn.trend.series import Series
from nightturn.trend.settled import breaks_of, hours_of, settled, thinned
from nightturn.trend.slope import POINTS_MIN, Axis, NoSlope, Slope, Unknown, slope
from nightturn.trend.temperature import RANGE_MIN_K, Paused, TemperatureModel, correction, paused
from nightturn.trend.warmed import warmed

PER_K = {FRICTION: 0.06, BREAKAWAY: 0.06, RIPPLE_PP: 0.003, RIPPLE_RMS: 0.003, COGGING_PP: 0.003}
"""By which share of it a kelvin may change a figure at most: grease, and magnets (common practice, no source)."""
ZERO_COVERAGE = 2.0
"""Standard uncertainties of the certificate's temperature coefficient of zero that are reckoned with."""
CURVED = 1
"""Cycles on either side by which a set is wider for a ramp, because none is quite straight: with a defect whose growth slows down, at 20 to 60
standard deviations, sets hold the moment in 0.9 of the nights, without it in 0.8 (`tests/benchmarks/chain_truth.py`)."""


@dataclass(frozen=True, slots=True)
class Course:
    """What is known of the course of a figure.

    Attributes:
        series: the cycles that are judged: behind the last known step, warmed up, within the range of the temperatures that were learned.
        axis: strokes, or hours where the plan has no strokes.
        model: what temperature does, or why that is not known; None where it was not asked.
        warming: cycles left out because the temperature still moved.
        outside: cycles left out because they were colder or warmer than what was learned, and the worst; None without one.
        values: of `series`, without what temperature explains.
        doubt: what temperature may have done to the values at most; where it was learned, to a change that was left out for it.
        found: changes beyond that, in order; hidden: how many lie within it.
        beside: whether temperature stands beside the slope as a line; warmed: what it does there.
        steady: whether one sloping line tells everything.
        slope: behind the last change, or of everything; or why there is none. by_hours: the same along hours. ranks: a second opinion on the same cycles, where there is a slope.
    """

    series: Series
    axis: Axis
    model: Model
    warming: int
    outside: tuple[int, Paused] | None
    values: Float64s = field(repr=False)
    doubt: float
    found: tuple[Found, ...]
    hidden: int
    steady: bool
    beside: bool
    slope: Slope | NoSlope
    by_hours: Slope | NoSlope
    ranks: MannKendall | None
    warmed: Warmed | None = None

    @property
    def when(self) -> tuple[int, int, int] | None:
        """The first change: when it most likely was, from when and to when it lies with 90 %, ns since 1970 UTC; None without one.

        A step lies behind the last cycle of before, a bend around the first of its ramp.
        """
        return self.spanned(self.found[0].change) if self.found else None

    def spanned(self, change: Change) -> tuple[int, int, int]:
        """The same of any change."""
        ts = self.series.ts
        low, high = self.places(change)
        return int(ts[change.at]), int(ts[low]), int(ts[high])

    def places(self, change: Change) -> tuple[int, int]:
        """Between which values a change lies with 90 %.

        A ramp begins at any moment between two cycles, and the place that fits best is then either of them; and it is seldom straight.
        """
        back, on = (1, 0) if change.kind is Kind.STEP else (1 + CURVED, 1 + CURVED)
        return max(change.places[0] - back, 0), min(change.places[-1] + on, len(self.series.ts) - 1)

    @property
    def level(self) -> tuple[float, float] | None:
        """Where the figure is now, with its 95 % interval: that of the line, of the last change, of the last cycles; None where that is not known.

        A ramp's level is that at the end, with all that changed behind it.
        """
        if isinstance(self.slope, Slope):
            return self.slope.level, coverage_factor(self.slope.nu) * self.slope.level_u
        if self.found:
            ramps = [each.change for each in self.found if each.change.kind is Kind.BEND]
            last = ramps[-1] if ramps else self.found[-1].change
            return last.after, coverage_factor(NU_MANY) * last.u_after
        if len(self.values) < 2 * LENGTH:
            return None
        means = block_means(np.arange(len(self.values), dtype=np.float64), self.values, self.series.u)
        nu = max(means.independent * len(means.value) - 2.0, 1.0)
        return means.value[-1], coverage_factor(nu) * means.u[-1]


@dataclass(frozen=True, slots=True)
class _Known:
    """What temperature added to each cycle (n,), what is not known of that (n, k), `nu`, and which cycles it is known for (n,)."""

    model: Model
    shift: Float64s
    common: Float64s
    nu: float
    inside: Bools


def judged_of(series: Series, variant: Variant = unknown_variant) -> tuple[Series, Float64s]:
    """The cycles of a stretch that are judged, as `course_of` takes them, and their values without what temperature explains."""
    known = _temperature(series, variant)
    inside = settled(series) & known.inside
    return series.part(inside), series.value[inside] - known.shift[inside]


def zero_per_k(known: Certificate | None) -> float:
    """By how much a kelvin may move the zero at most, N·m, by what a calibration record states; 0 where it states nothing."""
    if known is None:
        return 0.0
    return ZERO_COVERAGE * (known.full_scale_nm or 0.0) * standard(known.tk0_rel_fs_per_10k) / 10.0


def course_of(series: Series, zero_nm_per_k: float = 0.0, variant: Variant = unknown_variant) -> Course:
    """The course of a series behind its last known step.

    The zero may follow temperature by so much (`zero_per_k`); `variant` says what a kelvin does to other units.
    """
    latest = thinned(series.latest)
    known, warm = _temperature(latest, variant), settled(latest)
    judged = warm & known.inside
    left, common = latest.part(judged), known.common[judged]
    values = left.value - known.shift[judged]
    axis = Axis.STROKES if (np.diff(left.strokes) > 0).all() else Axis.HOURS
    learned = isinstance(known.model, TemperatureModel)
    doubt = 0.0 if learned else _doubt(left, zero_nm_per_k)
    line, beside = _line(left, values, common, axis, known)
    every, steady = _changes(values, _along(left, axis), line)
    moved = [abs(each.change.after - each.change.before) for each in every]
    open_to = [max(doubt, each) for each in _corrections(common, [one.change for one in every])]
    found = tuple(each for each, by, most in zip(every, moved, open_to, strict=True) if by > most)
    hidden = [min(most, 2 * by) for by, most in zip(moved, open_to, strict=True) if by <= most]
    doubt = max([doubt, *hidden])
    behind = np.arange(len(values)) >= (found[-1].change.at if found else 0)
    last, newest = left.part(behind), values[behind]
    if found:
        line, beside = _line(last, newest, common[behind], axis, known)
    by_hours = line
    if axis is not Axis.HOURS:
        by_hours, _ = _line(last, newest, common[behind], Axis.HOURS, known)
    worst = None
    if isinstance(known.model, TemperatureModel) and (warm & ~known.inside).any():
        told = paused(known.model, latest.degc[warm])
        worst = None if told is None else (int((warm & ~known.inside).sum()), told)
    return Course(
        series=left,
        axis=axis,
        model=known.model,
        warming=int((~warm).sum()),
        outside=worst,
        values=values,
        doubt=doubt,
        found=found,
        hidden=len(hidden),
        steady=steady,
        beside=beside,
        slope=line,
        by_hours=by_hours,
        ranks=_ranks(last, newest, axis) if isinstance(line, Slope) and not beside else None,
        warmed=warmed(last, _along(last, axis)) if beside else None,
    )


def _ranks(series: Series, values: Float64s, axis: Axis) -> MannKendall:
    """The trend by ranks."""
    return mann_kendall(_along(series, axis), values, breaks=breaks_of(series))


def _temperature(series: Series, variant: Variant) -> _Known:
    count = len(series.value)
    model = model_of(series, variant)
    if not isinstance(model, TemperatureModel):
        return _Known(model, np.zeros(count), np.zeros((count, 0)), np.inf, np.ones(count, np.bool_))
    taken = correction(model, hours_of(series), series.degc, breaks=breaks_of(series))
    inside = np.array([paused(model, series.degc[at : at + 1]) is None for at in range(count)])
    return _Known(model, taken.shift, taken.common, taken.nu, inside)


def _doubt(series: Series, zero_nm_per_k: float) -> float:
    """What temperature may have done to a figure at most; nothing where none was read, which is said elsewhere."""
    read = series.degc[np.isfinite(series.degc)]
    if not read.size:
        return 0.0
    if series.figure == ZERO:
        return float(np.ptp(read)) * zero_nm_per_k
    return float(np.ptp(read) * PER_K.get(series.figure, 0.0) * np.median(np.abs(series.value)))


def _corrections(common: Float64s, every: Sequence[Change]) -> list[float]:
    """By how much what is not known of the correction for temperature, u of (n, k), may have moved the level at each change.

    A change has to pay for itself (`change_point.PENALTY`) with that beside the noise; what its gain says of the noise is size over u, squared.
    """
    if not every or not common.shape[1]:
        return [0.0] * len(every)
    ends, moved = [0, *(each.at for each in every), len(common)], []
    price = PENALTY * math.log(len(common))
    for begin, each, end in zip(ends, every, ends[2:], strict=False):
        before, now = common[begin : each.at], common[each.at : end]
        if each.kind is Kind.BEND:  # its levels are those just before it and at the end
            before, now = before[-LEAST:], now[-LEAST:]
        u = float(np.linalg.norm(now.mean(0) - before.mean(0)))
        paid = each.gain - price
        moved.append(u * math.sqrt(price * each.gain / paid) if paid > 0 else math.inf)
    return moved


def _along(series: Series, axis: Axis) -> Float64s:
    return series.strokes if axis is Axis.STROKES else hours_of(series)


def _line(
    series: Series, values: Float64s, common: Float64s, axis: Axis, known: _Known
) -> tuple[Slope | NoSlope, bool]:
    """The line, and whether temperature was taken off beside it.

    Where temperature was not learned and cannot stand beside the line, the most that it may do is an error that all values share,
    along the course that it took.
    """
    if len(values) < POINTS_MIN:
        return NoSlope(axis, Unknown.TOO_FEW, len(values), float(len(values)), float(POINTS_MIN)), False
    fit = partial(slope, _along(series, axis), values, series.u, axis=axis, breaks=breaks_of(series))
    if isinstance(known.model, TemperatureModel) or series.figure not in PER_K or np.isnan(series.degc).any():
        return fit(common=common, common_nu=known.nu), False
    if series.figure in LEARNED and np.ptp(series.degc) >= RANGE_MIN_K:
        found = fit(beside=series.degc)
        if isinstance(found, Slope):
            return found, True
    # Between nothing and the most, one way or the other, everything is as likely (JCGM 100:2008, 4.3.7).
    most = PER_K[series.figure] / np.sqrt(3.0) * np.median(np.abs(series.value))
    return fit(common=most * (series.degc - series.degc.mean())), False


def _changes(values: Float64s, at: Float64s, line: Slope | NoSlope) -> tuple[tuple[Found, ...], bool]:
    """Changes, and whether one sloping line tells everything; what goes on steadily is no change, wherever a bend would fit into it."""
    if isinstance(line, Slope) and abs(line.slope) > line.half_width:
        straight = line.level + line.slope * (at - line.last)
        if not changes(values - straight):
            return (), True
    return (changes(values) if len(values) >= VALUES_MIN else ()), False
