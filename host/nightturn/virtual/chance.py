"""Numbers that depend on a seed and a position only, so that any piece of a night can be made without the rest."""

import math

_MASK = (1 << 64) - 1


def mix(*words: int) -> int:
    """A 64-bit number from integers (the finaliser of splitmix64, Steele, Lea and Flood, OOPSLA 2014)."""
    state = 0x9E3779B97F4A7C15
    for word in words:
        state = (state ^ (word & _MASK)) & _MASK
        state = (state + 0x9E3779B97F4A7C15) & _MASK
        state = ((state ^ (state >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
        state = ((state ^ (state >> 27)) * 0x94D049BB133111EB) & _MASK
        state ^= state >> 31
    return state


def uniform(word: int) -> float:
    """In (0, 1]."""
    return ((word >> 11) + 1) / (1 << 53)


def normal(word: int) -> float:
    """Standard normal, by Box and Muller."""
    return math.sqrt(-2.0 * math.log(uniform(word))) * math.cos(math.tau * uniform(mix(word, 1)))


def poisson(word: int, mean: float) -> int:
    """Poisson count of a small mean, by inversion."""
    count, term = 0, math.exp(-mean)
    left = uniform(word) - term
    while left > 0 and count < 64:
        count += 1
        term *= mean / count
        left -= term
    return count
