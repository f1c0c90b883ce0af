"""How long a CUSUM runs on values that do not change, and the threshold that keeps a stated rate of false alarms.

A one-sided CUSUM is S = max(0, S + u - reference), with u standard normal while nothing changes; it alarms when S exceeds
the threshold. S is taken in steps, which makes it a Markov chain: its mean run length is a solution of linear equations,
and the chance of an alarm within so many values a power of its matrix (D. Brook, D. A. Evans, Biometrika 59, 1972,
539-548). Two widths of step, extrapolated to none, leave an error far below a percent. A baseline that is not known
costs nothing here: `prewhiten` hands on u that are standard normal although mean, scatter and resemblance are estimated.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from nightturn.errors import ConfigError
from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s

REFERENCE = 0.5
"""Half the change, in standard deviations of u, that is found soonest."""
CLIP = 4.0
"""An odd value counts no more than this, so that one cycle alone is no change."""
STATES = 60
"""Steps of the coarser chain; the finer one has twice as many."""
RUN_LENGTH_MIN, RUN_LENGTH_MAX = 10.0, 1e9
"""What a threshold is looked for between, values."""
THRESHOLD_MAX = 30.0
ROUNDS = 60
"""Halvings of the bracket around a threshold, at most."""
CLOSE = 1e-9


@dataclass(frozen=True, slots=True)
class Budget:
    """What is watched on the whole bench in one night, and how many false alarms that may raise.

    Attributes:
        fixtures, figures, sides: how many CUSUMs run: each figure of each fixture, upwards and downwards.
        values: of each figure in a night.
        false_alarms_per_night: expected over all of them together.
        watched_from: values of a unit before its CUSUMs can alarm.
    """

    fixtures: int
    figures: int
    values: int
    false_alarms_per_night: float
    watched_from: int
    sides: int = 2

    @property
    def run_length(self) -> float:
        """Mean values between false alarms of one CUSUM.

        Raises:
            ConfigError: no such run length can be kept.
        """
        rate = self.false_alarms_per_night
        counts = min(self.fixtures, self.figures, self.sides, self.values)
        wanted = self._values_a_night / rate if rate > 0 and counts > 0 else math.nan
        if not RUN_LENGTH_MIN <= wanted <= RUN_LENGTH_MAX:
            raise ConfigError(
                f"{number(rate)} false alarms a night over {self._values_a_night} watched values cannot be kept",
                where="[bench], false_alarms_per_night",
                allowed=f"one in {number(RUN_LENGTH_MIN)} to {number(RUN_LENGTH_MAX)} values",
            )
        return wanted

    @property
    def _values_a_night(self) -> int:
        return self.fixtures * self.figures * self.sides * self.values

    @property
    def threshold(self) -> float:
        """The threshold of every CUSUM."""
        return threshold_for(self.run_length)

    def expected(self, before: int) -> float:
        """False alarms expected in a night over the whole bench, when each unit has had so many values before it.

        The first night of a unit has fewer than stated: its CUSUMs begin late, and begin at nothing.
        """
        done = max(before - self.watched_from, 0)
        until = max(before + self.values - self.watched_from, 0)
        counts = expected_alarms(self.threshold, until)
        own = counts[-1] - counts[done] if until else 0.0
        return float(own) * self.fixtures * self.figures * self.sides

    def sentence(self) -> str:
        """What the configuration means, for a person."""
        watched = (
            f"from its value {self.watched_from + 1} on"
            if self.watched_from < self.values
            else f"not in its first night: it needs {self.watched_from} values, a night has {self.values}"
        )
        over = ", ".join(
            f"{count} {noun}{'s' if count > 1 else ''}"
            for count, noun in ((self.fixtures, "fixture"), (self.figures, "figure"), (self.sides, "side"))
        )
        return (
            f"{number(self.false_alarms_per_night)} false alarms expected a night over {over} and {self.values} values of each; "
            f"each unit is watched {watched}; {number(self.expected(0), 2)} expected in a night of new units"
        )


def siegmund(threshold: float, reference: float = REFERENCE, shift: float = 0.0) -> float:
    """Mean run length by a formula, within some per cent; D. Siegmund, Sequential Analysis, 1985 (from memory)."""
    drift, height = shift - reference, threshold + 1.166
    if abs(drift) < 1e-6:
        return height**2
    return (math.exp(-2 * drift * height) - 1 + 2 * drift * height) / (2 * drift**2)


def run_length(
    threshold: float, reference: float = REFERENCE, shift: float = 0.0, *, clip: float = math.inf
) -> float:
    """Mean number of values to an alarm of a one-sided CUSUM that begins at 0.

    Args:
        threshold: in standard deviations of the values; beyond it is an alarm.
        reference: subtracted from each value.
        shift: mean of the values; 0 while nothing has changed.
        clip: values beyond ± this count as this.
    """
    lengths = []
    for states in (STATES, 2 * STATES):
        matrix = _chain(threshold, reference - shift, clip - shift, -clip - shift, states)
        lengths.append(float(np.linalg.solve(np.eye(states) - matrix, np.ones(states))[0]))
    # The error goes with the square of the step.
    wide, narrow = (2.0 / (2 * states - 1) for states in (STATES, 2 * STATES))
    return lengths[1] + (lengths[1] - lengths[0]) * narrow**2 / (wide**2 - narrow**2)


def _chain(threshold: float, reference: float, high: float, low: float, states: int) -> Float64s:
    """Chances from state to state (states, states); what is missing from the sum of a row is an alarm."""
    from scipy.special import ndtr

    step = 2.0 * threshold / (2 * states - 1)
    at = np.arange(states)
    # State j stands for S within half a step of j steps, state 0 for all that would be below.
    edges = (at[None, :] - at[:, None]) * step + reference
    upper, lower = edges + step / 2, edges - step / 2
    reached = np.where(upper >= high, 1.0, np.where(upper < low, 0.0, ndtr(upper)))
    passed = np.where(lower >= high, 1.0, np.where(lower < low, 0.0, ndtr(lower)))
    matrix = reached - passed
    matrix[:, 0] = reached[:, 0]
    return np.asarray(matrix, np.float64)


@lru_cache(maxsize=64)
def threshold_for(values: float, reference: float = REFERENCE, clip: float = CLIP) -> float:
    """The threshold whose mean run length is so many values, by halving a bracket around Siegmund's.

    Raises:
        ValueError: no threshold has such a run length.
    """
    if not RUN_LENGTH_MIN <= values <= RUN_LENGTH_MAX:
        raise ValueError(
            f"run length {number(values)}: give {number(RUN_LENGTH_MIN)} to {number(RUN_LENGTH_MAX)} values"
        )
    low, high = 0.0, THRESHOLD_MAX
    for _ in range(ROUNDS):
        middle = (low + high) / 2
        below = siegmund(middle, reference) < values
        low, high = (middle, high) if below else (low, middle)
    low, high = max(low - 0.5, 0.05), high + 0.5
    wanted = math.log(values)
    for _ in range(ROUNDS):
        middle = (low + high) / 2
        found = math.log(run_length(middle, reference, clip=clip))
        low, high = (middle, high) if found < wanted else (low, middle)
        if high - low < CLOSE * high:
            break
    return (low + high) / 2


def expected_alarms(
    threshold: float, values: int, reference: float = REFERENCE, clip: float = CLIP
) -> Float64s:
    """Alarms of one CUSUM expected within 0 to `values` values (values + 1,), each beginning it anew at 0."""
    matrix = _chain(threshold, reference, clip, -clip, 2 * STATES)
    at = np.zeros(2 * STATES)
    at[0] = 1.0
    counts = np.zeros(values + 1)
    for n in range(1, values + 1):
        at = at @ matrix
        alarmed = 1.0 - float(at.sum())
        counts[n] = counts[n - 1] + alarmed
        at[0] += alarmed
    return counts
