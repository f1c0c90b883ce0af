"""How likely a difference is by chance: Student's t, counts of cycles, counts of signs, angles.

All are two-sided but for the angles; where each comes from is named at its function.
"""

import math
from collections.abc import Sequence

from nightturn.estimation.quantiles import t_probability, t_quantile

NU_MIN, NU_MAX = 1e-3, 1e6
"""Degrees of freedom beyond which more make no difference."""


def t_chance(t: float, nu: float) -> float:
    """Chance that Student's t with `nu` degrees of freedom is at least as far from 0 as `t`; 0 where that is no number."""
    if not math.isfinite(t):
        return 0.0
    return 2.0 * t_probability(-abs(t), _free(nu))


def t_reach(chance: float, nu: float) -> float:
    """The t that is reached by chance so often: the inverse of `t_chance`."""
    return -t_quantile(chance / 2.0, _free(nu))


def _free(nu: float) -> float:
    return min(max(nu, NU_MIN), NU_MAX)


def cycles_chance(hits_before: int, before: int, hits_now: int, now: int) -> float:
    """Chance that hits are spread over two groups of cycles at least as unevenly (R. A. Fisher's exact test)."""
    hits, cycles = hits_before + hits_now, before + now
    least, most = max(0, hits - before), min(hits, now)
    logs = [
        _choose(now, k) + _choose(before, hits - k) - _choose(cycles, hits) for k in range(least, most + 1)
    ]
    own = logs[hits_now - least]
    return min(sum(math.exp(each) for each in logs if each <= own + 1e-9), 1.0)


def counts_chance(before: int, now: int, share_now: float) -> float:
    """Chance that signs of one even rate fall so unevenly into two spans of which the second is `share_now` of both.

    Given their number the signs of the second are binomial (J. Przyborowski, H. Wilenski, Biometrika 31, 1940, 313-323;
    from memory).
    """
    number = before + now
    if number == 0:
        return 1.0
    logs = [
        _choose(number, k) + k * math.log(share_now) + (number - k) * math.log1p(-share_now)
        for k in range(number + 1)
    ]
    return min(sum(math.exp(each) for each in logs if each <= logs[now] + 1e-9), 1.0)


def angles_chance(angles_rad: Sequence[float]) -> tuple[float, float, float]:
    """Mean angle rad, length of the mean direction, and the chance that evenly spread angles gather so much.

    Lord Rayleigh's test with its correction for few angles (K. V. Mardia, P. E. Jupp, Directional Statistics, 2000, 6.3.1; from
    memory).
    """
    n = len(angles_rad)
    if n == 0:
        return 0.0, 0.0, 1.0
    x = sum(math.cos(each) for each in angles_rad) / n
    y = sum(math.sin(each) for each in angles_rad) / n
    length = math.hypot(x, y)
    chance = math.exp(math.sqrt(1 + 4 * n + 4 * (n * n - (n * length) ** 2)) - (1 + 2 * n))
    return math.atan2(y, x) % math.tau, length, min(chance, 1.0)


def _choose(n: int, k: int) -> float:
    """Logarithm of the number of ways to take k of n."""
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
