"""The parts of a long capture, joined: the mean of each figure, and what is said of all of them."""

import math
from dataclasses import dataclass, field, replace

from nightturn.capture.found import Curves, Found, Line
from nightturn.capture.gathering import Gathered
from nightturn.errors import TableError
from nightturn.estimation.pooled import NU_MAX, Pooled
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK
from nightturn.model.quantities import number, quantity

SENTENCES_MAX = 12
"""Of a kind that are kept from all parts; a long capture would say the same of one cycle after the other."""
DROOP_SHARE = 0.078
"""Of the averages' rate: at this frequency a mean over a sample's length takes 1 % (sin πx / πx)."""


@dataclass(slots=True)
class Parts:
    """What the parts of a capture gave so far, with the samples of one of them; `refused` are those that cannot be used."""

    first: Found | None = None
    lines: list[tuple[Line, ...]] = field(default_factory=list)
    assumes: dict[str, None] = field(default_factory=dict)
    lacking: list[str] = field(default_factory=list)
    curves: Curves | None = None
    last: Gathered | None = None
    samples: int = 0
    started_s: float = 0.0
    refused: int = 0

    def seen(self, gathered: Gathered) -> None:
        """A part was read, whether it gives figures or not."""
        if self.last is None:
            self.started_s = float(gathered.time_s[0])
        self.last = gathered
        self.samples += len(gathered.time_s)

    def add(self, found: Found) -> None:
        """The figures of a part."""
        if self.first is None:
            self.first = found
            self.lacking = list(found.lacking)
        self.lines.append(found.lines)
        self.assumes.update(dict.fromkeys(found.assumes))
        self.lacking = [each for each in self.lacking if each in found.lacking]
        if self.curves is None or (self.curves.forward_nm is None and found.curves.forward_nm is not None):
            self.curves = found.curves

    def joined(self, factor_u_pct: float | None, *, where: str) -> Found:
        """Everything together; the factor's uncertainty, which all parts share, comes on top of the mean.

        Raises:
            TableError: there is no row.
        """
        if self.first is None or self.curves is None or self.last is None:
            raise TableError(
                f"{where}: no row of numbers is left; give another --from and --to, or another column"
            )
        lines = tuple(_mean(each) for each in zip(*self.lines, strict=True))
        assumes = tuple(self.assumes)
        if len(assumes) > SENTENCES_MAX:
            assumes = (
                *assumes[:SENTENCES_MAX],
                f"{len(assumes) - SENTENCES_MAX} more sentences of this kind on parts of the file.",
            )
        return replace(
            self.first,
            read=self._read(self.last),
            lines=tuple(_with_factor(line, factor_u_pct) for line in lines),
            assumes=assumes,
            lacking=tuple(self.lacking),
            curves=self.curves,
        )

    def _read(self, last: Gathered) -> tuple[str, ...]:
        span = float(last.time_s[-1]) - self.started_s
        rate = (self.samples - 1) / span if span else 0.0
        said = [f"{last.rows} rows, {quantity(span, 's')}, {number(rate * last.average, 4)} samples a second"]
        if last.average > 1:
            said.append(
                f"averaged by {last.average} to {number(rate, 4)} samples a second, because there are many, so that what is at "
                f"{number(DROOP_SHARE * rate, 2)} Hz reads 1 % low and what is faster lower; --from and --to look at a part of it in full"
            )
        if len(self.lines) > 1:
            said.append(f"taken in {len(self.lines)} parts, and each figure is their mean")
        if self.refused:
            said.append(f"{self.refused} more parts say nothing and are left out")
        if last.missing:
            said.append(f"{last.missing} rows with a missing value are left out")
        return tuple(said)


def _mean(lines: tuple[Line, ...]) -> Line:
    """One figure over the parts: the mean of those that are ok, the largest bound, or the first that there is."""
    good = [
        line for line in lines if line.value_nm is not None and line.half_nm is not None and line.status == OK
    ]
    if len(good) > 1:
        pooled = Pooled()
        for line in good:
            assert line.value_nm is not None
            assert line.half_nm is not None
            pooled.add(line.value_nm, line.half_nm / coverage_factor(NU_MAX), NU_MAX)
        u, nu = pooled.scatter()
        how = f"mean of {len(good)} parts, each of {good[0].how}"
        return replace(good[0], value_nm=pooled.mean, half_nm=coverage_factor(nu) * u, how=how)
    bounds = [line for line in lines if line.at_most and line.value_nm is not None]
    if good or not bounds:
        return (good or [line for line in lines if line.value_nm is not None] or [lines[0]])[0]
    return max(bounds, key=lambda line: line.value_nm or 0.0)


def _with_factor(line: Line, u_pct: float | None) -> Line:
    """The line with what the factor is off by; the zero scales with it as all else."""
    if not u_pct or line.value_nm is None or line.half_nm is None:
        return line
    return replace(
        line, half_nm=math.hypot(line.half_nm, coverage_factor(NU_MAX) * u_pct / 100.0 * line.value_nm)
    )
