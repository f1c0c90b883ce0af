"""The one list of figures: columns, limit keys, MQTT, API, report and page read it."""

import msgspec

RIPPLE_PP = "ripple_pp_nm"
RIPPLE_RMS = "ripple_rms_nm"
RIPPLE_PCT = "ripple_pct_rated"
COGGING_PP = "cogging_pp_nm"
FRICTION = "friction_nm"
FRICTION_PCT = "friction_pct_rated"
ZERO = "zero_nm"
MEAN_TORQUE = "mean_torque_nm"


class FigureSpec(msgspec.Struct, frozen=True):
    """What a figure is called, in what unit it stands and which version of the method makes it."""

    name: str
    unit: str
    title: str
    method: int = 1


FIGURES: tuple[FigureSpec, ...] = (
    FigureSpec(RIPPLE_PP, "N·m", "Torque ripple under load, peak to peak"),
    FigureSpec(RIPPLE_RMS, "N·m", "Torque ripple under load, rms"),
    FigureSpec(RIPPLE_PCT, "%", "Torque ripple under load, peak to peak, of rated torque"),
    FigureSpec(COGGING_PP, "N·m", "Cogging torque, peak to peak"),
    FigureSpec(FRICTION, "N·m", "Running friction"),
    FigureSpec(FRICTION_PCT, "%", "Running friction, of rated torque"),
    FigureSpec(ZERO, "N·m", "Zero error of the torque channel, half-sum of both directions"),
    FigureSpec(MEAN_TORQUE, "N·m", "Mean torque of the hold"),
)

FIGURE_OF_NAME: dict[str, FigureSpec] = {spec.name: spec for spec in FIGURES}
