"""What the watch over figures promises: false alarms in a night over the whole bench, and from when on it sees a change."""

from nightturn.motion.moves import cycle_seconds
from nightturn.settings.rig import FixtureSettings
from nightturn.trend.cusum import WATCHED_FROM
from nightturn.trend.following import DIRECTIONS
from nightturn.trend.run_length import Budget
from nightturn.trend.series import FOLLOWED

NIGHT_S = 8 * 3600.0


def watch_budget(settings: FixtureSettings, fixtures: int, false_alarms_per_night: float) -> Budget:
    """The share of a fixture in the false alarms of a bench of so many: each figure in each direction, upwards and downwards.

    Its threshold is a ConfigError where that rate cannot be kept.
    """
    cycles = int(NIGHT_S / cycle_seconds(settings)) // len(DIRECTIONS)
    return Budget(
        fixtures, len(FOLLOWED) * len(DIRECTIONS), max(cycles, 1), false_alarms_per_night, WATCHED_FROM
    )
