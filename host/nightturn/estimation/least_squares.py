"""Linear least squares, the one engine behind every fit: columns of unit length, a triangular factor, its condition.

A design matrix goes through QR (`factored`), a normal matrix that is cheap to make (`order_fit`) through Cholesky; both leave a
triangular factor of the scaled design (Golub and Van Loan, Matrix Computations, 4th ed., 4.2 and 5.3), and its singular values
say how far the columns can be told apart. Beyond `CONDITION_MAX` there is no solution, because its numbers would be noise.
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
    return Solution(x, factor, scale, residual / nu if nu > 0 else 0.0, nu, float(condition))


@dataclass(frozen=True, slots=True)
class Factored:
    """A design (n, p), or a stack of designs (..., n, p), as basis · L' · S: what every fit by QR rests on.

    Attributes:
        basis: (..., n, p) orthonormal columns that span those of the design.
        factor: (..., p, p) lower triangle L, its diagonal positive; scale: (..., p) diagonal of S, the lengths of the columns.
    """

    basis: Float64s
    factor: Float64s
    scale: Float64s

    def condition(self, condition_max: float = CONDITION_MAX) -> Float64s:
        """(...) ratio of the largest to the smallest singular value of the scaled design.

        Raises:
            InseparableError: the columns of the first design beyond `condition_max` cannot be told apart.
        """
        return _condition(self.factor @ np.swapaxes(self.factor, -1, -2), condition_max)

    @property
    def half(self) -> Float64s:
        """(..., p, p) H = S^-1 L'^-1, so that H H' is the covariance of the coefficients for a residual variance of 1."""
        upper = np.swapaxes(self.factor, -1, -2)
        eye = np.broadcast_to(np.eye(self.scale.shape[-1]), upper.shape)
        return np.asarray(np.linalg.solve(upper, eye) / self.scale[..., :, None])

    @property
    def log_volume(self) -> Float64s:
        """(...) ln of the square root of the determinant of the normal matrix."""
        diagonal = np.diagonal(self.factor, axis1=-2, axis2=-1)
        return np.asarray(np.log(diagonal * self.scale).sum(-1))

    def solve(self, y: Float64s) -> Float64s:
        """Coefficients (..., p, m) of the values (..., n, m) by least squares."""
        upper, seen = np.swapaxes(self.factor, -1, -2), np.swapaxes(self.basis, -1, -2) @ y
        return np.asarray(np.linalg.solve(upper, seen) / self.scale[..., :, None])

    def weights(self, combination: Float64s) -> Float64s:
        """What to multiply the values with (n,) to have this combination (p,) of the coefficients; of one design only."""
        return np.asarray(self.basis @ _triangular(self.factor, combination / self.scale))

    def contrasts(self) -> Float64s:
        """(n, n - p) orthonormal columns that nothing of the design is in; of one design only."""
        size = self.scale.shape[-1]
        return np.asarray(np.linalg.qr(self.basis, mode="complete")[0][:, size:], np.float64)


def factored(columns: Float64s) -> Factored:
    """QR of a design, or of a stack of designs (..., n, p), with columns of unit length; its `condition` is for the caller to ask."""
    scale = _scale((columns**2).sum(-2))
    basis, r = np.linalg.qr(columns / scale[..., None, :])
    # R has the signs that Householder gave it; R' times their diagonal is the triangle of Cholesky.
    signs = np.sign(np.diagonal(r, axis1=-2, axis2=-1))
    factor = np.swapaxes(r, -1, -2) * signs[..., None, :]
    return Factored(basis * signs[..., None, :], np.asarray(factor, np.float64), scale)


def fit(columns: Float64s, y: Float64s, weights: Float64s, condition_max: float = CONDITION_MAX) -> Solution:
    """Weighted least squares on a design matrix by QR.

    Shapes: columns (n, p), y (n,), weights (n,). `condition_max` is for who looks at the variances that come out of it.

    Raises:
        InseparableError: the columns cannot be told apart.
    """
    root = np.sqrt(weights)
    made = factored(columns * root[:, None])
    condition = float(made.condition(condition_max))
    x = _triangular(made.factor, made.basis.T @ (root * y), transposed=True) / made.scale
    residual = root * (y - columns @ x)
    nu = len(y) - len(x)
    variance = float(residual @ residual) / nu if nu > 0 else 0.0
    return Solution(x, made.factor, made.scale, variance, nu, condition)


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


def _condition(scaled: Float64s, condition_max: float = CONDITION_MAX) -> Float64s:
    """Ratio of the singular values of the design from the eigenvalues of its scaled normal matrix, or of a stack of them."""
    # Squares of singular values: half of the digits go, and 30 needs two of the sixteen.
    powers = np.linalg.eigvalsh(scaled)
    least, most = powers[..., 0], powers[..., -1]
    told = np.asarray(least * condition_max**2 >= most)
    if not told.all():
        at = np.unravel_index(int(told.argmin()), told.shape)
        raise _inseparable(scaled[at], powers[at])
    return np.asarray(np.sqrt(most / least))


def _inseparable(scaled: Float64s, powers: Float64s) -> InseparableError:
    """Which columns of one design cannot be told apart."""
    size, most = len(powers), float(powers[-1])
    rank = int((powers > most * size * np.finfo(np.float64).eps).sum())
    worst = np.abs(np.linalg.eigh(scaled)[1][:, 0])
    condition = float(np.sqrt(most / powers[0])) if rank == size else np.inf
    return InseparableError(condition, rank, size, np.flatnonzero(worst > INVOLVED * worst.max()))
