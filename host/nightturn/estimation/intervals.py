"""The 95 % interval of a figure, from its own standard uncertainty and degrees of freedom."""

from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import Figure


def half_width(figure: Figure) -> float | None:
    """± U of a figure, or None when it has no uncertainty."""
    if figure.u is None or figure.nu is None:
        return None
    return coverage_factor(figure.nu) * figure.u
