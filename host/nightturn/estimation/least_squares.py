"""Linear least squares by scaled normal equations, the one engine behind every fit."""

from dataclasses import dataclass

import numpy as np

from nightturn.model.tiles import Float64s


@dataclass(frozen=True, slots=True)
class Solution:
    """Coefficients (p,), inverse of the normal matrix (p, p), residual variance per unit weight, its dof."""

    x: Float64s
    inverse: Float64s
    variance: float
    nu: int

    @property
    def covariance(self) -> Float64s:
        """Covariance (p, p) of the coefficients."""
        return self.inverse * self.variance


def solve_normal(normal: Float64s, right: Float64s, squares: float, rows: int) -> Solution:
    """Solve N x = b with columns scaled to unit norm.

    `squares` is Σ w y², `rows` how many independent values there were. Shapes: normal (p, p), right (p,).

    Raises:
        numpy.linalg.LinAlgError: the columns are not independent.
    """
    # A constant, a cosine and a time differ in size for no better reason than their units; unscaled, the inverse would
    # lose digits to that.
    scale = np.sqrt(np.diag(normal))
    inverse = np.linalg.inv(normal / scale[:, None] / scale)
    x = inverse @ (right / scale) / scale
    nu = rows - len(x)
    residual = max(float(squares - x @ right), 0.0)
    return Solution(x, inverse / scale[:, None] / scale, residual / nu if nu > 0 else 0.0, nu)


def fit(columns: Float64s, y: Float64s, weights: Float64s) -> Solution:
    """Weighted least squares on a design matrix.

    Shapes: columns (n, p), y (n,), weights (n,). One step of refinement on the residuals makes up for what the normal
    equations lose in digits.
    """
    weighted = columns * weights[:, None]
    normal = columns.T @ weighted
    first = solve_normal(normal, weighted.T @ y, float(weights @ (y * y)), len(y))
    residual = y - columns @ first.x
    step = solve_normal(normal, weighted.T @ residual, float(weights @ (residual * residual)), len(y))
    x = first.x + step.x
    residual = y - columns @ x
    nu = len(y) - len(x)
    variance = float(weights @ (residual * residual)) / nu if nu > 0 else 0.0
    return Solution(x, first.inverse, variance, nu)
