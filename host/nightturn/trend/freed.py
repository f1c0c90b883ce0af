"""Columns freed of noise whose neighbours are alike: alone, or beside independent noise."""

import numpy as np

from nightturn.model.tiles import Float64s


def whitened(stacked: Float64s, rho: float, steps: Float64s) -> tuple[Float64s, float]:
    """Columns (n, q) freed of their autocorrelation, and half the log determinant of its covariance."""
    kept = np.power(rho, steps) if rho > 0 else np.zeros(len(steps))
    left = np.sqrt(1 - kept**2)
    before = np.concatenate((np.zeros((1, stacked.shape[1])), stacked[:-1]))
    return np.asarray((stacked - kept[:, None] * before) / left[:, None]), float(np.log(left).sum())


def beside_white(
    stacked: Float64s, relative: Float64s, steps: Float64s, noises: Float64s
) -> tuple[Float64s, Float64s]:
    """The same for noises (k, 2), autocorrelation and share, beside independent noise of the stated u: (k, n, q) and (k,).

    What no value before lets expect, over its scatter, value by value (R. E. Kalman, Journal of Basic Engineering 82, 1960, 35-45; from
    memory): that is the product with the inverse of Cholesky's factor of the covariance, in n steps instead of n³.
    """
    count, share = len(relative), noises[:, 1]
    kept = np.power(noises[:, 0], steps[:, None], where=noises[:, 0] > 0, out=np.zeros((count, len(noises))))
    driven, white = share * (1 - kept**2), np.multiply.outer(relative**2, 1 - share)
    gain, spread = np.empty_like(kept), np.empty_like(kept)
    left = np.zeros(len(noises))  # variance of the slow noise behind a value
    for place in range(count):
        ahead = kept[place] ** 2 * left + driven[place]
        spread[place] = ahead + white[place]
        gain[place] = ahead / spread[place]
        left = ahead * (1 - gain[place])
    gain, kept = gain[:, :, None], kept[:, :, None]
    free = np.empty((count, len(noises), stacked.shape[1]))
    slow = np.zeros(free.shape[1:])
    for place, row in enumerate(stacked):
        slow *= kept[place]
        np.subtract(row, slow, out=free[place])
        slow += gain[place] * free[place]
    free /= np.sqrt(spread)[:, :, None]
    return np.swapaxes(free, 0, 1), 0.5 * np.log(spread).sum(0)
