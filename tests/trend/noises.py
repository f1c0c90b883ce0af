"""Made-up series whose slope is known, with neighbours that are alike in several ways."""

import numpy as np

from nightturn.model.tiles import Float64s

SPREAD = 3.0
"""Largest stated u over the smallest."""
WAYS = ("one_u", "u_scales", "u_misleads", "u_beside")
"""One u; noise that grows with the stated u; one noise whatever is stated; autocorrelated noise beside white noise of the stated u."""


def even(count: int, step: float = 1.0, first: float = 0.0) -> Float64s:
    """Positions (count,) an equal step apart."""
    return np.asarray(first + step * np.arange(count), np.float64)


def alike(rng: np.random.Generator, count: int, rho: float) -> Float64s:
    """First-order autoregression (count,) of unit variance, from its definition."""
    from scipy.signal import lfilter

    shocks = rng.standard_normal(count) * np.sqrt(1 - rho**2)
    shocks[0] /= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], shocks))


def noise(rng: np.random.Generator, count: int, rho: float, way: str) -> tuple[Float64s, Float64s]:
    """Errors and stated u (count,) in one of `WAYS`."""
    if way == "one_u":
        return alike(rng, count, rho), np.ones(count)
    u = np.asarray(SPREAD ** rng.uniform(-0.5, 0.5, count))
    errors = alike(rng, count, rho)
    if way == "u_scales":
        return u * errors, u
    return errors if way == "u_misleads" else errors + u * rng.standard_normal(count), u


def room(hours: Float64s, swing_k: float = 4.0, period_h: float = 9.0) -> Float64s:
    """Temperature of a hall, °C."""
    return np.asarray(24.0 + swing_k * np.sin(2 * np.pi * hours / period_h))


def first_order(hours: Float64s, degc: Float64s, lag_h: float) -> Float64s:
    """Response of a first-order lag to readings joined by lines, by small steps of Euler's method: not the product's closed form."""
    fine = np.linspace(hours[0], hours[-1], 200 * len(hours))
    outside = np.interp(fine, hours, degc)
    inside = np.empty(len(fine))
    inside[0] = outside[0]
    share = (fine[1] - fine[0]) / lag_h
    for place in range(1, len(fine)):
        inside[place] = inside[place - 1] + share * (outside[place - 1] - inside[place - 1])
    return np.asarray(np.interp(hours, fine, inside))
