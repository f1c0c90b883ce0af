"""What a load history has cost, against another one or against an S-N line that the user enters; never a life by itself."""

from math import isfinite

import msgspec
import numpy as np

from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s
from nightturn.trend.load_history import LoadHistory

NO_LIFE = "this compares loads and says nothing of a life: for that enter an S-N line of the part (N0, S0, m)"
"""Said beside every relative damage."""
LINE_OF_USER = "the S-N line is the user's; its own scatter is not in this figure"
"""Said beside every Miner sum."""


class Scale(msgspec.Struct, frozen=True):
    """What the counts of a history mean.

    Attributes:
        unit_per_count: physical unit per count, such as N·m; its sign does not matter to ranges.
        zero_counts: counts at no load; only a correction for mean load needs it.
    """

    unit_per_count: float
    zero_counts: float = 0.0

    def __post_init__(self) -> None:
        if not isfinite(self.unit_per_count) or self.unit_per_count == 0.0 or not isfinite(self.zero_counts):
            raise ValueError(
                f"a scale of {self.unit_per_count} a count with the zero at {self.zero_counts}: give finite numbers, and a "
                "scale that is not 0"
            )


class SnLine(msgspec.Struct, frozen=True):
    """A straight S-N line in logarithms, N = N0 (S0 / S)^m, without an endurance limit.

    O. H. Basquin, Proceedings of the American Society for Testing Materials 10, 1910, 625-630 (from memory).

    Attributes:
        n0: cycles to failure at the range `s0`.
        s0: range, in the unit of the scale: from lowest to highest, not an amplitude.
        slope: m.
        ultimate: load at which the part breaks at once. When it is given, ranges are corrected for their mean load, S / (1 - |mean| /
            ultimate) (J. Goodman, Mechanics Applied to Engineering, 1899, from memory); either sense counts as unfavourable, because
            torque has no tension side. None: no correction.
    """

    n0: float
    s0: float
    slope: float
    ultimate: float | None = None

    def __post_init__(self) -> None:
        numbers = [self.n0, self.s0, self.slope, *([] if self.ultimate is None else [self.ultimate])]
        if not all(isfinite(number) and number > 0.0 for number in numbers):
            raise ValueError(
                f"S-N line N0 = {self.n0}, S0 = {self.s0}, m = {self.slope}, ultimate load {self.ultimate}: each must be a number "
                "above 0"
            )


class Damage(msgspec.Struct, frozen=True):
    """A damage with what the classes leave open.

    Attributes:
        value: with each closed cycle in the middle of its class.
        low, high: with each at the lower, and at the upper edge of its class; `high` is infinite when a range lies above all classes.
        of_half_cycles: share of `value` that comes from cycles which are still open.
        remarks: what a reader has to know, as sentences.
    """

    value: float
    low: float
    high: float
    of_half_cycles: float
    remarks: tuple[str, ...]


def miner_sum(history: LoadHistory, scale: Scale, line: SnLine) -> Damage:
    """Damage of a history by an S-N line that the user has entered: Σ n / N, 1 where the line fails.

    M. A. Miner, Journal of Applied Mechanics 12, 1945, A159-A164 (from memory).
    """
    value, low, high, halves = _sums(history, scale, line.slope, line.s0, line.ultimate)
    remarks = (*history.remarks, *_of_mean(history, line.ultimate), LINE_OF_USER)
    return Damage(value / line.n0, low / line.n0, high / line.n0, _share(halves, value), remarks)


def repetitions(damage: Damage) -> float | None:
    """How often the history could be repeated until Miner's sum is 1; None when none of it was damaging."""
    return None if damage.value == 0.0 else 1.0 / damage.value


def relative_damage(
    history: LoadHistory,
    reference: LoadHistory,
    slope: float,
    scale: Scale,
    reference_scale: Scale | None = None,
) -> Damage | None:
    """Damage of a history as a multiple of a reference profile's, Σ n S^m over Σ n S^m; None when the reference has no cycle.

    It compares the histories as long as they are: a reference of an hour repeats eight times in a night of eight.

    Args:
        history: what is compared.
        reference: the profile it is compared with.
        slope: m of the S-N line that the material is supposed to have.
        scale: what the counts of the history mean.
        reference_scale: what those of the reference mean, where that is something else.

    Raises:
        ValueError: the slope is not above 0.
    """
    if not (isfinite(slope) and slope > 0.0):
        raise ValueError(f"slope m is {slope}: give a number above 0")
    other_scale = scale if reference_scale is None else reference_scale
    unit = max(
        _largest(history, scale), _largest(reference, other_scale)
    )  # keeps powers within the range of floats
    if unit == 0.0:
        return None
    value, low, high, halves = _sums(history, scale, slope, unit, None)
    under, under_low, under_high, _ = _sums(reference, other_scale, slope, unit, None)
    if under == 0.0:
        return None
    remarks = [*history.remarks, *(f"reference: {remark}" for remark in reference.remarks)]
    gate, other_gate = (
        abs(each.settings.gate_counts * by.unit_per_count)
        for each, by in ((history, scale), (reference, other_scale))
    )
    if not np.isclose(gate, other_gate, rtol=1e-9):
        remarks.append(
            f"movements below {number(gate, 4)} are left out here and below {number(other_gate, 4)} in the reference; take one gate for both"
        )
    highest = high / under_low if under_low > 0.0 else float("inf")
    return Damage(value / under, low / under_high, highest, _share(halves, value), (*remarks, NO_LIFE))


def _sums(
    history: LoadHistory, scale: Scale, slope: float, unit: float, ultimate: float | None
) -> tuple[float, float, float, float]:
    """Σ n (S / unit)^m in the middle, at the lower and at the upper edges of the classes, and that of half cycles alone."""
    found = history.spectrum()
    per_count = abs(scale.unit_per_count)
    mean = np.abs(found.means - scale.zero_counts)
    farther, nearer = mean + found.mean_slack, np.maximum(mean - found.mean_slack, 0.0)
    with np.errstate(over="ignore"):  # a range far above S0 and a steep line: infinite, and said so
        middle, low, high = (
            found.cycles * (ranges * per_count / unit * _raised(at * per_count, ultimate)) ** slope
            for ranges, at in ((found.ranges, mean), (found.range_low, nearer), (found.range_high, farther))
        )
    open_now = found.cycles == 0.5  # closed cycles are whole ones
    return float(middle.sum()), float(low.sum()), float(high.sum()), float(middle[open_now].sum())


def _raised(means: Float64s, ultimate: float | None) -> Float64s:
    """By how much each range is raised for its mean load; infinite where that alone reaches the ultimate load."""
    if ultimate is None:
        return np.ones_like(means)
    left = 1.0 - means / ultimate
    return np.where(left > 0.0, 1.0 / np.where(left > 0.0, left, 1.0), np.inf)


def _of_mean(history: LoadHistory, ultimate: float | None) -> tuple[str, ...]:
    outside = int(history.cycles.matrix[:, [0, -1]].sum())
    if ultimate is None or not outside:
        return ()
    return (
        f"the mean load of {outside} cycles is outside the classes; the correction takes the outermost edge, too little",
    )


def _largest(history: LoadHistory, scale: Scale) -> float:
    span = history.highest - history.lowest
    return span * abs(scale.unit_per_count) if span > 0 else 0.0


def _share(part: float, whole: float) -> float:
    return part / whole if 0.0 < whole < float("inf") else 0.0
