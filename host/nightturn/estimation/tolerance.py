"""Tolerance limits of a normal population: below which, with a stated confidence, a stated share of all units lies.

One-sided, by the noncentral t distribution (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3), which is exact. SciPy's quantile of it is
good to some 1e-9, which no decision rests on.
"""

import math
from collections.abc import Sequence

import numpy as np

CONFIDENCE, SHARE = 0.95, 0.95
UNITS_MIN = 5
"""With fewer units the factor is above 4.2 and the limit says nothing that the largest value does not."""
SIGMA_OF_MAD = 1.4826
"""Standard deviation of a normal population by its median absolute deviation."""
OUTLYING = 3.5
"""Robust standard deviations from which on a unit is named as an outlier (B. Iglewicz, D. C. Hoaglin, How to detect and handle outliers,
ASQC 1993: modified z score; from memory)."""


def factor(count: int, share: float = SHARE, confidence: float = CONFIDENCE) -> float:
    """K of mean + k · standard deviation, for so many units.

    Raises:
        ValueError: fewer than two units.
    """
    if count < 2:
        raise ValueError("a tolerance limit needs two units at least")
    from scipy import stats

    root = math.sqrt(count)
    return float(stats.nct.ppf(confidence, count - 1, stats.norm.ppf(share) * root)) / root


def robust_scores(values: Sequence[float]) -> list[float]:
    """How many robust standard deviations each value is off the median; zeros with too few values or where half of them are alike."""
    found = np.asarray(values, np.float64)
    off = found - np.median(found)
    sigma = SIGMA_OF_MAD * float(np.median(np.abs(off)))
    return [0.0] * len(found) if sigma == 0 or len(found) < UNITS_MIN else (off / sigma).tolist()
