"""A bend of the zero within the passes: seen against what is slower than a turn and no bend, and taken off before orders are read.

A straight drift is taken off wherever orders are read. What is left of a bend is a saw-tooth of another height in every turn: it
widened the ± of a ripple to five times and of a cogging to eight times its errors (5 mN·m of it at 0.5 mN·m of noise; simulated).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.legendre import legvander

from nightturn.estimation.least_squares import InseparableError, factored
from nightturn.estimation.quantiles import f_quantile
from nightturn.estimation.turns import Turns
from nightturn.model.tiles import Float64s

PARTS = 8
"""Parts of a turn whose means are looked at."""
BENDS, HIGHEST = 2, 6
"""Power of time that a bend is, and the highest that shows what moves slowly without being one."""
CHANCE = 0.005
"""Of such movement, or of noise, to pass for a bend. Under 1/f noise it does so more often, as what it takes off then is no error."""
CONDITION_MOST = 1e3
"""Powers of time are told apart by many values; their coefficients are not told to anybody."""


@dataclass(frozen=True, slots=True)
class Bend:
    """A course of the zero, `size_nm` times Legendre's second polynomial of the time from `centre_s`, over ± `half_s`."""

    size_nm: float = 0.0
    centre_s: float = 0.0
    half_s: float = 1.0

    def without(self, turns: Turns) -> Turns:
        """The turns without it."""
        return self._changed(turns, -self.size_nm) if self.size_nm else turns

    def restored(self, turns: Turns) -> Turns:
        """Turns that it was taken off, with it."""
        return self._changed(turns, self.size_nm) if self.size_nm else turns

    def _changed(self, turns: Turns, size_nm: float) -> Turns:
        at = (turns.time_s - self.centre_s) / self.half_s
        course = size_nm * (1.5 * at**2 - 0.5)
        return replace(turns, torque_nm=np.where(turns.n > 0, turns.torque_nm + course, 0.0))


NO_BEND = Bend()


def bend_of(legs: Sequence[Turns], *, cable: bool) -> Bend:
    """The bend over these legs, each with a pattern and a level of its own; `NO_BEND` where none stands out.

    Drift, and with `cable` the torque of one, are fitted beside it; that it stands out is Fisher's F against powers of time up
    to the sixth, so that slow noise is no bend.
    """
    repeated = [leg for leg in legs if int(leg.whole.sum()) > 1]
    if not repeated:
        return NO_BEND
    cells = [_cells(leg) for leg in repeated]
    torque, time, turned = (np.concatenate([each[k].ravel() for each in cells]) for k in range(3))
    centre, half = float(time.max() + time.min()) / 2, float(np.ptp(time)) / 2
    powers = legvander((time - centre) / half, HIGHEST)[:, 1:]
    columns = np.column_stack((powers[:, :1], turned, powers[:, 1:]) if cable else (powers,))
    first, shapes = 0, []
    for each in cells:
        shape = each[0].shape
        part = columns[first : first + each[0].size].reshape(*shape, -1)
        shapes.append((part - part.mean(0)).reshape(-1, columns.shape[1]))
        first += each[0].size
    columns = np.concatenate(shapes)
    at = BENDS if cable else BENDS - 1
    try:
        made = factored(columns)
        made.condition(CONDITION_MOST)
    except InseparableError:
        return NO_BEND
    seen = (made.basis.T @ torque) ** 2
    if seen[at] <= f_quantile(1.0 - CHANCE, 1, HIGHEST - BENDS) * float(seen[at + 1 :].mean()):
        return NO_BEND
    size = float(factored(columns[:, : at + 1]).solve(torque[:, None])[at, 0])
    return Bend(size, centre, half)


def _cells(leg: Turns) -> tuple[Float64s, Float64s, Float64s]:
    """Torque without its pattern, time and angle of the parts of whole turns: (turns, parts) each."""
    use = leg.whole
    n, torque = leg.n[use], leg.torque_nm[use]
    # Bin by bin, so that one that is missing from a turn takes its share of the pattern with it.
    away = n * (torque - (n * torque).sum(0) / np.maximum(n.sum(0), 1.0))
    count = np.maximum(_parts(n), 1.0)
    return _parts(away) / count, _parts(n * leg.time_s[use]) / count, _parts(n * leg.turned()[use]) / count


def _parts(values: Float64s) -> Float64s:
    """Sums over the parts of each turn."""
    rows, bins = values.shape
    return np.asarray(values.reshape(rows, PARTS, bins // PARTS).sum(2))
