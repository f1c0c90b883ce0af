"""How likely a difference is by chance: Student's t, counts of cycles, counts of signs, angles.

All are two-sided but for the angles, in standard library arithmetic. The incomplete beta function is Lentz's continued
fraction (W. H. Press et al., Numerical Recipes, 6.4; from memory); the others are named at their functions.
"""

import math
from collections.abc import Sequence

NU_MAX = 1e6
"""Degrees of freedom beyond which more make no difference."""
TERMS_MAX = 300
TINY = 1e-300
HALVINGS = 80


def t_chance(t: float, nu: float) -> float:
    """Chance that Student's t with `nu` degrees of freedom is at least as far from 0 as `t`."""
    if not math.isfinite(t):
        return 0.0
    nu = min(max(nu, 1e-3), NU_MAX)
    return min(_incomplete_beta(nu / 2, 0.5, nu / (nu + t * t)), 1.0)


def t_reach(chance: float, nu: float) -> float:
    """The t that is reached by chance so often: the inverse of `t_chance`."""
    low, high = 0.0, 1.0
    while t_chance(high, nu) > chance and high < 1e9:
        high *= 2
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if t_chance(middle, nu) > chance else (low, middle)
    return high


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


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    if x < (a + 1) / (a + b + 2):
        return math.exp(log_front) * _fraction(a, b, x) / a
    return 1.0 - math.exp(log_front) * _fraction(b, a, 1 - x) / b


def _fraction(a: float, b: float, x: float) -> float:
    """Its continued fraction."""
    c, d = 1.0, 1.0 / _not_nought(1 - (a + b) * x / (a + 1))
    value = d
    for m in range(1, TERMS_MAX):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _not_nought(1 + term * d)
            c = _not_nought(1 + term / c)
            value *= c * d
        if abs(c * d - 1) < 1e-14:
            break
    return value


def _not_nought(value: float) -> float:
    return value if abs(value) > TINY else TINY
