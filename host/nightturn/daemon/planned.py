"""What a night of a fixture will be, before its run is opened."""

from pathlib import Path

from nightturn.estimation.figures import FIGURES
from nightturn.model.cards import MountCard
from nightturn.outlook.plan import outlook
from nightturn.settings.load import load_variant
from nightturn.settings.mistakes import raise_mistakes
from nightturn.settings.rig import FixtureSettings


def cycle_s_of(settings: FixtureSettings, card: MountCard, bench: Path) -> float:
    """How long a cycle takes, seconds; what `nightturn check` refuses is not served either.

    Raises:
        ConfigError: every reason, with file, table, key and what is allowed.
    """
    variant = load_variant(bench.parent, card.variant, figures=FIGURES)
    found = outlook(settings, variant, str(bench))
    raise_mistakes(found.errors)
    return found.cycle_s
