"""What a measurement gave, from its files: each figure with its budget, how warm it was, and its last turn as a picture."""

from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.estimation.measured import standing
from nightturn.estimation.night_figure import night_figure
from nightturn.model.figures import Figure
from nightturn.model.quantities import fixed
from nightturn.model.tasks import MeasureTask, Standing
from nightturn.pictures.picture import Picture
from nightturn.report.compared import cycle_figures
from nightturn.report.drawn import last_turn
from nightturn.report.night import ReportNight, night_of
from nightturn.storage.datasets import TEMPERATURE_ROLES
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary

COLD = "cold: no warm-up was turned before it"
WARMED = "warm: after the warm-up of the rig file"
WARM_UP_CUT = "not known to be warm: its warm-up did not end"
NO_TEMPERATURE = "no temperature was measured"


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measurement.

    Attributes:
        run: its id. unit, variant: what was measured. ended: why it ended.
        figures: how each wanted figure stands at the end.
        whole: the same with its budget; None where no cycle was judged.
        warmth: warm or cold, and by which temperatures.
        rated_nm: rated torque of the variant.
        picture: the last cycle's turn in both senses; None without one.
    """

    run: str
    unit: str
    variant: str
    ended: str
    figures: tuple[Standing, ...]
    whole: tuple[Figure | None, ...]
    warmth: str
    rated_nm: float
    picture: Picture | None


def measurement_of(run: Run, summary: RunSummary) -> Measurement:
    """Read what a run gave that was a measurement.

    Raises:
        ConfigError: the run was none.
    """
    night = night_of(run, summary, with_life=False)
    task = night.settings.card.task
    if not isinstance(task, MeasureTask):
        raise ConfigError(f"{run.run} was no measurement", where=run.fixture, allowed="`report`")
    figures = cycle_figures(night)
    return Measurement(
        run.run,
        night.unit,
        night.settings.card.variant,
        night.manifest.reason,
        tuple(standing(name, figures.get(name, ()), task.until_pct) for name in task.figures),
        tuple(night_figure(name, figures.get(name, ())) for name in task.figures),
        _warmth(night, task),
        night.settings.variant.rated_torque_nm,
        last_turn(night),
    )


def _warmth(night: ReportNight, task: MeasureTask) -> str:
    warmed = any(each.kind in {"warm_up_over", "warm_up_unsettled"} for each in night.events)
    how = (WARMED if warmed else WARM_UP_CUT) if task.warm else COLD
    found = []
    for role in TEMPERATURE_ROLES:
        degc = night.cycles[f"temp_{role}_degc"].dropna()
        if len(degc):
            found.append(f"{role} {fixed(float(degc.iloc[0]), 1)} to {fixed(float(degc.iloc[-1]), 1)} °C")
    return f"{how}; {', '.join(found) or NO_TEMPERATURE}"
