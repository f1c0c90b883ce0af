"""One figure pooled over a night: the mean of all cycles, with a ± that knows that neighbours are alike.

A warming actuator makes successive cycles resemble each other, so the scatter of a mean over n of them does not shrink
with the square root of n. Values are kept as means of up to `BATCHES_MAX` batches; when those are full, neighbours are
joined and a batch holds twice as many (batch means: G. S. Fishman, Operations Research 26, 1978, 510-521; from memory).
What correlation is left between batches is taken off their number, as for an AR(1) series: n (1 - r) / (1 + r) with r
the first autocorrelation (G. E. P. Box, G. M. Jenkins, Time Series Analysis; from memory).
"""

import itertools
import math

import msgspec

BATCHES_MAX = 64
"""Batches kept; even, so that they can be joined in pairs."""
NU_MAX = 1e6
"""Degrees of freedom beyond which more make no difference."""
ENOUGH_MIN = 8
"""Fewer batches say nothing about their own correlation."""


class Pooled(msgspec.Struct):
    """The values of one figure, in order of their cycles; its size does not grow with the night.

    Attributes:
        size: values in a full batch.
        sums: sums of the batches; the last one may be still filling.
        filled: values in the last batch.
        within: sum of the squared standard uncertainties of the values.
        nu: their smallest degrees of freedom.
        common: sum of what each value shares with all the others.
    """

    size: int = 1
    sums: list[float] = []
    filled: int = 0
    count: int = 0
    within: float = 0.0
    nu: float = NU_MAX
    common: float = 0.0

    def add(self, value: float, u: float, nu: float, u_common: float = 0.0) -> None:
        """One cycle more: its value, its own standard uncertainty with degrees of freedom, and what it shares with the others."""
        if not self.sums or self.filled == self.size:
            if len(self.sums) == BATCHES_MAX:
                self.sums = [sum(self.sums[at : at + 2]) for at in range(0, BATCHES_MAX, 2)]
                self.size *= 2
            self.sums.append(0.0)
            self.filled = 0
        self.sums[-1] += value
        self.filled += 1
        self.count += 1
        self.within += u * u
        self.nu = min(self.nu, nu)
        self.common += u_common

    @property
    def mean(self) -> float:
        """The mean of all values; needs one."""
        return sum(self.sums) / self.count

    @property
    def u_common(self) -> float:
        """Standard uncertainty of the mean from what all values share; needs one.

        Fully correlated contributions add up as they are, not as squares (JCGM 100:2008, 5.2.2, note 1), so that the mean
        has their mean, however many there are.
        """
        return self.common / self.count

    def scatter(self) -> tuple[float, float]:
        """Standard uncertainty of the mean and its degrees of freedom; needs a value.

        The larger of what the cycles scatter among each other and what each says of its own repeatability: a few that
        agree by chance do not make a night exact.
        """
        between, nu = self._between()
        own = math.sqrt(self.within) / self.count
        return (between, nu) if between >= own else (own, min(self.nu * self.count, NU_MAX))

    def _between(self) -> tuple[float, float]:
        """Of whole batches; one still filling is in the mean and not in the scatter."""
        whole = self.sums if self.filled == self.size else self.sums[:-1]
        number = len(whole)
        if number < 2:
            return 0.0, 1.0
        means = [each / self.size for each in whole]
        middle = sum(means) / number
        squares = sum((each - middle) ** 2 for each in means)
        variance = squares / (number - 1)
        effective = number * _independent_share(means, middle, squares)
        effective = max(effective, 2.0)
        return math.sqrt(variance / effective), effective - 1


def _independent_share(means: list[float], middle: float, squares: float) -> float:
    """(1 - r) / (1 + r), at most 1: batches that alternate are not counted as more than they are."""
    number = len(means)
    if number < ENOUGH_MIN or squares <= 0:
        return 1.0
    products = sum((a - middle) * (b - middle) for a, b in itertools.pairwise(means))
    # The mean that is taken off pulls r down by about 1/n and its own share: (1 + 4 r) / n (M. G. Kendall, Biometrika
    # 41, 1954, 403-404; from memory).
    seen = products / squares
    r = (number * seen + 1) / (number - 4)
    return 1.0 if r <= 0 else (1 - min(r, 0.99)) / (1 + min(r, 0.99))
