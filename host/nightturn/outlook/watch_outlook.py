"""What the watch over figures promises: false alarms in a night over the whole bench, and from when on it sees a change."""

from collections.abc import Iterator
from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.estimation.figures import FIGURES, unit_of
from nightturn.model.quantities import quantity
from nightturn.motion.moves import cycle_seconds
from nightturn.settings.rig import FixtureSettings, Rig
from nightturn.trend.conditions import within
from nightturn.trend.cusum import LEVEL_FROM, WATCHED_FROM
from nightturn.trend.following import DIRECTIONS
from nightturn.trend.run_length import Budget
from nightturn.trend.series import FOLLOWED
from nightturn.trend.settled import WINDOW_H

NIGHT_S = 8 * 3600.0
WARM_S = WINDOW_H * 3600.0


@dataclass(frozen=True, slots=True)
class WatchOutlook:
    """The watch of one fixture.

    Attributes:
        sentence: what the rate means. run_length: mean values between false alarms of one sum; threshold: of each, standard deviations.
        armed_s: from the first cycle of a new unit on, where the temperature is level from the beginning; armed_mounted_s: of a unit with
            earlier nights on the same mounting; armed_remounted_s: on the same rig, mounted again since.
        on_change: what a change is: an urgency of `model.trends`, or `stop`.
        conditions: what a course asks of people and when, sentences.
    """

    sentence: str
    run_length: float
    threshold: float
    armed_s: float
    armed_mounted_s: float
    armed_remounted_s: float
    on_change: str
    conditions: tuple[str, ...]


def watch_budget(settings: FixtureSettings, fixtures: int, false_alarms_per_night: float) -> Budget:
    """The share of a fixture in the false alarms of a bench of so many: each figure in each direction, upwards and downwards.

    Its threshold is a ConfigError where that rate cannot be kept.
    """
    cycles = int(NIGHT_S / cycle_seconds(settings)) // len(DIRECTIONS)
    return Budget(
        fixtures, len(FOLLOWED) * len(DIRECTIONS), max(cycles, 1), false_alarms_per_night, WATCHED_FROM
    )


def check_rate(rig: Rig, file: str) -> None:
    """Refuse a rate of false alarms that no watch keeps over this rig.

    Raises:
        ConfigError: with the file, the key and what is allowed.
    """
    rate, fixtures = rig.bench.false_alarms_per_night, len(rig.fixture)
    try:
        for each in rig.fixture:
            _ = watch_budget(each, fixtures, rate).run_length
    except ConfigError as error:  # the budget knows no file
        raise ConfigError(error.what, where=f"{file}, {error.where}", allowed=error.allowed) from error


def watch_outlook(settings: FixtureSettings, fixtures: int, false_alarms_per_night: float) -> WatchOutlook:
    """What is to be expected of the watch.

    Raises:
        ConfigError: that rate cannot be kept.
    """
    budget = watch_budget(settings, fixtures, false_alarms_per_night)
    pair_s = len(DIRECTIONS) * cycle_seconds(settings)
    return WatchOutlook(
        sentence=budget.sentence(),
        run_length=budget.run_length,
        threshold=budget.threshold,
        armed_s=WARM_S + WATCHED_FROM * pair_s,
        armed_mounted_s=WARM_S,
        armed_remounted_s=WARM_S + LEVEL_FROM * pair_s,
        on_change=settings.trend.on_change,
        conditions=tuple(_conditions(settings)),
    )


def _conditions(settings: FixtureSettings) -> Iterator[str]:
    """A change is said by whoever says what it does."""
    trend = settings.trend
    for name, limit in trend.slope.items():
        asked = ((limit.per_1000_strokes, "1000 strokes"), (limit.per_hour, "hour"))
        most = [f"{quantity(each, unit_of(name))} per {per}" for each, per in asked if each is not None]
        yield f"{limit.say}: {FIGURES[name].followed} changes by more than {' or '.join(most)}"
    for urgency, hours in within(trend):
        if hours is not None:
            yield f"{urgency}: a limit may be reached within {quantity(hours, 'h')}"
