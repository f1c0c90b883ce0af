"""The 95 % interval of a figure, from its own standard uncertainty and degrees of freedom."""

from collections.abc import Iterable

from nightturn.estimation.draft import combined
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK, Figure


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


def marked(text: str, status: str) -> str:
    """The text of a figure, with its status where that forbids to believe it: `80.9 ± 0.3 mN·m (not judged)`."""
    return text if status == OK else f"{text} ({status})"


def band_text(figure: Figure) -> str:
    """Which orders a figure contains and which declared ones it could not see; empty where orders mean nothing to it."""
    if figure.band is None:
        return ""
    low, high = figure.band
    said = f"orders {low} to {high}"
    return f"{said} without {', '.join(str(order) for order in figure.unseen)}" if figure.unseen else said


def bands_text(named: Iterable[tuple[str, Figure]]) -> str:
    """The same of several figures under their names, once where it is the same of all; empty without any."""
    bands: dict[str, list[str]] = {}
    for name, figure in named:
        if figure.value is not None and (text := band_text(figure)):
            bands.setdefault(text, []).append(name)
    if len(bands) == 1:
        return next(iter(bands))
    return "; ".join(f"{' and '.join(names)} of {text}" for text, names in bands.items())
