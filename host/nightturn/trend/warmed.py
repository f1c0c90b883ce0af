"""What temperature does to a series beside its slope, where it was not learned before: a line in the temperature, fitted with the other."""

import numpy as np

from nightturn.estimation.least_squares import InseparableError
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.tiles import Float64s
from nightturn.model.trends import Warmed
from nightturn.trend.series import Series
from nightturn.trend.settled import breaks_of
from nightturn.trend.slope import mixture, usual_steps


def warmed(series: Series, at: Float64s) -> Warmed | None:
    """What a kelvin does beside the slope along an axis (n,); None where the two run alike."""
    columns = np.column_stack(
        (np.ones(len(at)), (at - at.mean()) / np.ptp(at), series.degc - series.degc.mean())
    )
    none = np.zeros((len(at), 0))
    try:
        found = mixture(columns, series.value, scatter_of(series), usual_steps(at, breaks_of(series)), none)
    except InseparableError:
        return None
    per_k, nu = float(found.centre[2]), found.nu
    half = coverage_factor(nu) * float(np.sqrt(found.covariance[2, 2]))
    left = series.value - columns @ found.centre
    explained = abs(per_k) * float(series.degc.std())
    return Warmed(per_k, half, explained, float(np.sqrt(left @ left / nu)))


def scatter_of(series: Series) -> Float64s:
    """How much each value scatters beside the others (n,): alike where one says nothing of it."""
    return series.u if (series.u > 0).all() else np.ones(len(series.u))
