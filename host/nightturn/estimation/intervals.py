"""The 95 % interval of a figure, from its own standard uncertainty and degrees of freedom."""

from nightturn.estimation.draft import combined
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import Figure


def half_width(figure: Figure) -> float | None:
    """± U of a figure, or None when it has no uncertainty."""
    if figure.u is None or figure.nu is None:
        return None
    return coverage_factor(figure.nu) * figure.u


def own_part(figure: Figure) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of a figure without what it shares with the other cycles of its run.

    Its scatter, and the lines of its budget that are not common to all cycles. The figure has an uncertainty.
    """
    own = tuple(line for line in figure.budget if not line.common)
    if own:
        return combined(own)
    u = figure.u_rep if figure.u_rep is not None else figure.u
    nu = figure.nu_rep if figure.nu_rep is not None else figure.nu
    assert u is not None
    assert nu is not None
    return u, nu
