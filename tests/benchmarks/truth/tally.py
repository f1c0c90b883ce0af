"""Many cycles of a family counted together, and the bounds that they are held to."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import binom
from tests.benchmarks.truth.family import ANY, REFUSE, SELDOM, Family
from tests.benchmarks.truth.judging import Judged

BIAS_PCT = 1.0
COVERAGE = (0.90, 0.99)
MANY = 200
"""From so many values on the coverage is held to its bounds as it is; below, to what chance makes of them."""
CHANCE = 0.999
SILENT_CHANCE = 0.001
SELDOM_SHARE = 0.05
"""Share of the cycles that may get a value where hardly any should."""
DEFECT_FOUND = 0.99
NORMAL = 3.29  # two-sided 99.9 %


@dataclass(frozen=True, slots=True)
class Line:
    """One figure of one family at one noise: what is printed.

    Attributes:
        cycles, values: how many were judged, and how many of them got a value with status ok.
        bias_pct, scatter_pct: mean and standard deviation of the errors, % of the truth.
        coverage: share of the 95 % intervals that hold the truth; low, high: share of the intervals that lie wholly below and above it.
        without_u: values that have no interval.
        silent, refused: numbers. naive_pct: mean error of the naive method, %. wide_pct: mean half width of the intervals, %.
        deviations: cycles in which a local deviation is named.
        broken: which bounds are.
    """

    family: str
    white_nm: float
    figure: str
    expect: str
    cycles: int
    values: int
    bias_pct: float
    scatter_pct: float
    coverage: float
    low: float
    high: float
    without_u: int
    silent: int
    refused: int
    naive_pct: float
    wide_pct: float
    deviations: int
    broken: tuple[str, ...]
    reason: str = ""


def line_of(family: Family, white_nm: float, figure: str, cycles: list[Judged]) -> Line:
    """Count and hold to the bounds."""
    ok = [each for each in cycles if each.ok]
    errors = np.array([each.error_rel for each in ok])
    sure = [each for each in ok if each.covered is not None]
    n, k = len(cycles), len(ok)
    covered = sum(bool(each.covered) for each in sure)
    line = Line(
        family=family.name,
        white_nm=white_nm,
        figure=figure,
        expect=family.expected(figure, white_nm),
        cycles=n,
        values=k,
        bias_pct=100 * float(errors.mean()) if k else 0.0,
        scatter_pct=100 * float(errors.std(ddof=1)) if k > 1 else 0.0,
        coverage=covered / len(sure) if sure else float("nan"),
        low=sum(not each.covered and each.error_rel < 0 for each in sure) / len(sure) if sure else 0.0,
        high=sum(not each.covered and each.error_rel > 0 for each in sure) / len(sure) if sure else 0.0,
        without_u=k - len(sure),
        silent=sum(each.silent for each in ok),
        refused=n - k,
        naive_pct=100 * float(np.mean([each.naive_rel for each in cycles])),
        wide_pct=100 * float(np.mean([each.wide_rel for each in sure])) if sure else float("nan"),
        deviations=sum(each.deviation for each in cycles),
        broken=(),
        reason=_usual_reason(cycles),
    )
    broken = [
        *_broken(line, len(sure), covered, family.least(figure, white_nm)),
        *_defect_broken(line, family.names_deviation(figure)),
    ]
    return replace(line, broken=tuple(broken))


def _usual_reason(cycles: list[Judged]) -> str:
    said = [each.reasons[-1] for each in cycles if not each.ok and each.reasons]
    return max(set(said), key=said.count) if said else ""


def silent_most(values: int) -> int:
    """Silent errors that true 99.9 % intervals would show, at the 99.9 % bound."""
    return int(binom.ppf(CHANCE, values, SILENT_CHANCE)) if values else 0


def coverage_band(intervals: int) -> tuple[float, float]:
    """The bounds of the coverage, widened by chance (99.9 %) where there are few intervals."""
    if intervals >= MANY:
        return COVERAGE
    low, high = (1 - CHANCE) / 2, (1 + CHANCE) / 2
    return (
        float(binom.ppf(low, intervals, COVERAGE[0])) / intervals,
        float(binom.ppf(high, intervals, COVERAGE[1])) / intervals,
    )


def _defect_broken(line: Line, named: bool | None) -> list[str]:
    """A defect found in at least 99 % of the cycles that have one, and in at most 1 % of the others."""
    if named and line.deviations < float(binom.ppf(1 - CHANCE, line.cycles, DEFECT_FOUND)):
        return ["defect missed"]
    if named is False and line.deviations > float(binom.ppf(CHANCE, line.cycles, 1 - DEFECT_FOUND)):
        return ["false defect"]
    return []


def _broken(line: Line, intervals: int, covered: int, least: float) -> list[str]:
    """The names of the bounds that do not hold."""
    if line.expect == ANY:
        return []
    out = ["silent"] if line.silent > silent_most(line.values) else []
    out += _share_broken(line, least)
    if line.expect == REFUSE:
        return out
    if line.values > 1:
        chance = NORMAL * line.scatter_pct / np.sqrt(line.values)
        if not abs(line.bias_pct) <= BIAS_PCT + chance:
            out.append("bias")
    if intervals:
        low, high = coverage_band(intervals)
        if not low <= covered / intervals <= high:
            out.append("coverage")
    return out


def _share_broken(line: Line, least: float) -> list[str]:
    """Whether as many cycles got a value as should."""
    if line.expect == REFUSE and line.values > silent_most(line.cycles):
        return ["not refused"]
    if line.values < float(binom.ppf(1 - CHANCE, line.cycles, least)):
        return ["refused"]
    if line.expect == SELDOM and line.values > float(binom.ppf(CHANCE, line.cycles, SELDOM_SHARE)):
        return ["too often"]
    return []
