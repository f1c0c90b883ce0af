"""Linear least squares, the one engine behind every fit: columns of unit length, a triangular factor, its condition.

A design matrix goes through QR, a normal matrix that is cheap to make (`order_fit`) through Cholesky; both leave a triangular
factor of the scaled design (Golub and Van Loan, Matrix Computations, 4th ed., 4.2 and 5.3), and its singular values say how far
the columns can be told apart. Beyond `CONDITION_MAX` there is no solution, because its numbers would be noise.
"""

from dataclasses import dataclass

import numpy as np

from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s, Int64s

CONDITION_MAX = 30.0
"""Largest ratio of singular values of the scaled design. Whole turns give 1 to 4, 0.9 of a turn 14, 0.6 of a turn 121 with an
order 1 that is 76 % uncertain (simulated): what the fit adds to the noise is bounded by this number."""
INVOLVED = 0.3
"""Columns with this share of the largest in the direction that is seen worst are the ones that cannot be told apart."""


class InseparableError(np.linalg.LinAlgError):
    """The columns of a fit cannot be told apart.

    Attributes:
        condition: ratio of the largest to the smallest singular value of the scaled design, infinite without full rank.
        rank: how many of its `size` columns are independent to the digits of a float.
        columns: the places of those that cannot be told apart.
    """

    def __init__(self, condition: float, rank: int, size: int, columns: Int64s) -> None:
        super().__init__(f"condition {number(condition, 3)}, rank {rank} of {size}")
        self.condition, self.rank, self.size, self.columns = condition, rank, size, columns


@dataclass(frozen=True, slots=True)
class Solution:
    """Coefficients and how well they are known.

    Attributes:
        x: (p,) coefficients.
        factor: (p, p) lower triangle L with A'WA = S L L' S, S the diagonal matrix of `scale` (p,).
        variance: residual variance per unit weight; nu: its degrees of freedom.
        condition: of the scaled design. It has full rank, else there is no solution.
    """

    x: Float64s
    factor: Float64s
    scale: Float64s
    variance: float
    nu: int
    condition: float

    @property
    def rank(self) -> int:
        """Independent columns: all of them."""
        return len(self.x)

    @property
    def covariance(self) -> Float64s:
        """Covariance (p, p) of the coefficients."""
        return np.asarray(self.unit_covariance * self.variance)

    @property
    def unit_covariance(self) -> Float64s:
        """The same for a residual variance of 1."""
        half = self._half()
        return np.asarray(half.T @ half)

    @property
    def unit_variances(self) -> Float64s:
        """Variance (p,) of each coefficient for a residual variance of 1."""
        return np.asarray((self._half() ** 2).sum(0))

    def solve(self, right: Float64s) -> Float64s:
        """The coefficients (p,) for another right side A'Wy."""
        return _by_factor(self.factor, right / self.scale) / self.scale

    def _half(self) -> Float64s:
        """(L^-1 S^-1): its columns' squares add up to the variances."""
        return _triangular(self.factor, np.eye(len(self.x))) / self.scale


def solve_normal(normal: Float64s, right: Float64s, squares: float, rows: int) -> Solution:
    """Solve N x = b by Cholesky's factor with columns scaled to unit norm.

    `squares` is Σ w y², `rows` how many independent values there were. Shapes: normal (p, p), right (p,).

    Raises:
        InseparableError: the columns cannot be told apart.
    """
    # A constant, a cosine and a time differ in size for no better reason than their units; unscaled, the factor would
    # lose digits to that.
    scale = _scale(np.diag(normal))
    scaled = normal / scale[:, None] / scale
    condition = _condition(scaled)
    factor = np.asarray(np.linalg.cholesky(scaled), np.float64)
    x = _by_factor(factor, right / scale) / scale
    nu = rows - len(x)
    residual = max(float(squares - x @ right), 0.0)
    return Solution(x, factor, scale, residual / nu if nu > 0 else 0.0, nu, condition)


def fit(columns: Float64s, y: Float64s, weights: Float64s, condition_max: float = CONDITION_MAX) -> Solution:
    """Weighted least squares on a design matrix by QR.

    Shapes: columns (n, p), y (n,), weights (n,). `condition_max` is for who looks at the variances that come out of it.

    Raises:
        InseparableError: the columns cannot be told apart.
    """
    root = np.sqrt(weights)
    weighted = columns * root[:, None]
    scale = _scale((weighted**2).sum(0))
    q, r = np.linalg.qr(weighted / scale)
    condition = _condition(r.T @ r, condition_max)
    # R has the signs that Householder gave it; R' times their diagonal is the triangle of Cholesky.
    signs = np.sign(np.diag(r))
    factor = np.asarray(r.T * signs, np.float64)
    x = _triangular(factor, signs * (q.T @ (root * y)), transposed=True) / scale
    residual = root * (y - columns @ x)
    nu = len(y) - len(x)
    return Solution(x, factor, scale, float(residual @ residual) / nu if nu > 0 else 0.0, nu, condition)


def _scale(squares: Float64s) -> Float64s:
    """Lengths of the columns; a column of zeros keeps its zeros."""
    return np.asarray(np.sqrt(np.where(squares > 0, squares, 1.0)))


def _by_factor(factor: Float64s, right: Float64s) -> Float64s:
    """X of L L' x = b by two triangular solves."""
    return _triangular(factor, _triangular(factor, right), transposed=True)


def _triangular(factor: Float64s, right: Float64s, *, transposed: bool = False) -> Float64s:
    """X of L x = b, or of L' x = b."""
    from scipy.linalg.lapack import dtrtrs

    # LAPACK wants columns one after the other, of which L', an upper triangle, is a view.
    return np.asarray(dtrtrs(factor.T, right, lower=0, trans=0 if transposed else 1)[0], np.float64)


def _condition(scaled: Float64s, condition_max: float = CONDITION_MAX) -> float:
    """Ratio of the singular values of the design from the eigenvalues of its scaled normal matrix."""
    # Squares of singular values: half of the digits go, and 30 needs two of the sixteen.
    powers = np.linalg.eigvalsh(scaled)
    least, most = float(powers[0]), float(powers[-1])
    if least * condition_max**2 >= most:
        return float(np.sqrt(most / least))
    size = len(powers)
    rank = int((powers > most * size * np.finfo(np.float64).eps).sum())
    worst = np.abs(np.linalg.eigh(scaled)[1][:, 0])
    condition = float(np.sqrt(most / least)) if rank == size else np.inf
    raise InseparableError(condition, rank, size, np.flatnonzero(worst > INVOLVED * worst.max()))
