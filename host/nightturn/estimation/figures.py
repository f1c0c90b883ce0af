"""The one table of figures: columns, limit keys, MQTT, API, verdicts, the demo's summary and people's tables read it."""

from collections.abc import Callable

import msgspec

from nightturn.estimation import figure_drafts as drafts
from nightturn.estimation.draft import Draft
from nightturn.estimation.figure_drafts import Basis
from nightturn.model.figures import Figure
from nightturn.model.phases import HOLD, SLOW_TURN

RIPPLE_PP = "ripple_pp_nm"
RIPPLE_RMS = "ripple_rms_nm"
RIPPLE_PCT = "ripple_pct_rated"
COGGING_PP = "cogging_pp_nm"
FRICTION = "friction_nm"
FRICTION_PCT = "friction_pct_rated"
ZERO = "zero_nm"
MEAN_TORQUE = "mean_torque_nm"


class FigureSpec(msgspec.Struct, frozen=True):
    """What a figure is called, what makes it and when it is measured.

    Attributes:
        name: with its unit at the end; the key of columns, limits and messages.
        unit: of value and uncertainty.
        title: for a person.
        phase: in which it is measured; a condition on speed holds against the speed of that phase.
        make: works it out; rows that share one are worked out once. In N·m.
        heading: its name in a short list of figures; empty where it is not in it.
        of_rated: given in per cent of the rated torque; its interval is then that of the same figure in N·m.
        method: version of what makes it.
    """

    name: str
    unit: str
    title: str
    phase: str
    make: Callable[[Basis], Draft]
    heading: str = ""
    of_rated: bool = False
    method: int = 1


_ROWS = (
    FigureSpec(RIPPLE_PP, "N·m", "Torque ripple under load, peak to peak", HOLD, drafts.ripple_pp, "ripple"),
    FigureSpec(RIPPLE_RMS, "N·m", "Torque ripple under load, rms", HOLD, drafts.ripple_rms),
    FigureSpec(
        RIPPLE_PCT,
        "%",
        "Torque ripple under load, peak to peak, of rated torque",
        HOLD,
        drafts.ripple_pp,
        "ripple of rated",
        of_rated=True,
    ),
    FigureSpec(COGGING_PP, "N·m", "Cogging torque, peak to peak", SLOW_TURN, drafts.cogging_pp, "cogging"),
    FigureSpec(FRICTION, "N·m", "Running friction", SLOW_TURN, drafts.friction, "friction"),
    FigureSpec(
        FRICTION_PCT,
        "%",
        "Running friction, of rated torque",
        SLOW_TURN,
        drafts.friction,
        "friction of rated",
        of_rated=True,
    ),
    FigureSpec(
        ZERO,
        "N·m",
        "Zero error of the torque channel, half-sum of both directions",
        SLOW_TURN,
        drafts.zero,
    ),
    FigureSpec(MEAN_TORQUE, "N·m", "Mean torque of the hold", HOLD, drafts.mean_torque),
)

FIGURES: dict[str, FigureSpec] = {spec.name: spec for spec in _ROWS}
"""By name, in the order of columns and records."""


def per_cent_of(rated_torque_nm: float) -> float:
    """The factor from N·m to per cent of the rated torque."""
    return 100.0 / rated_torque_nm


def figures_of(basis: Basis) -> tuple[Figure, ...]:
    """Every figure of the table, in its order."""
    percent = per_cent_of(basis.conditions.rated_torque_nm)
    made: dict[Callable[[Basis], Draft], Draft] = {}
    out = []
    for spec in FIGURES.values():
        if spec.make not in made:
            made[spec.make] = spec.make(basis)
        out.append(made[spec.make].figure(spec.name, spec.method, percent if spec.of_rated else 1.0))
    return tuple(out)


def unit_of(name: str) -> str:
    """The unit of a figure; that of a single order is N·m."""
    spec = FIGURES.get(name)
    return spec.unit if spec is not None else "N·m"
