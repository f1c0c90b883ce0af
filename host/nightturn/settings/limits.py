"""Other limits for a recorded run: a TOML file with `[accept]` as in a variant and `[fixture.protect]` as in a rig file."""

from collections.abc import Collection, Iterator
from pathlib import Path

import msgspec

from nightturn.errors import ConfigError
from nightturn.settings.acceptance import acceptance_mistakes
from nightturn.settings.load import read_toml
from nightturn.settings.mistakes import Place, did_you_mean, listed, listed_once, raise_mistakes, shown
from nightturn.settings.part import Part
from nightturn.settings.rig import Limit
from nightturn.settings.shape import shape_mistakes
from nightturn.settings.variant import Acceptance


class OfFixture(Part, frozen=True, kw_only=True):
    """What of a fixture can be asked about."""

    protect: dict[str, Limit] = msgspec.field(default_factory=dict)


class Limits(Part, frozen=True, kw_only=True):
    """Other limits; a table that is not there leaves the recorded ones."""

    accept: dict[str, Acceptance] | None = None
    fixture: OfFixture | None = None


def load_limits(path: Path, figures: Collection[str], raw: Collection[str]) -> Limits:
    """Read the file and check everything that it alone can tell.

    Args:
        path: of the file.
        figures: that may be limited.
        raw: channels that may be limited beside them, for `protect`.

    Raises:
        ConfigError: with file, table, key and what is allowed; nothing in it is one as well.
    """
    table, place = read_toml(path), Place(str(path))
    raise_mistakes(listed_once(shape_mistakes(table, Limits, place)))
    limits = msgspec.convert(table, Limits)
    raise_mistakes(tuple(_mistakes(limits, place, figures, raw)))
    return limits


def _mistakes(
    limits: Limits, place: Place, figures: Collection[str], raw: Collection[str]
) -> Iterator[ConfigError]:
    if limits.accept is None and limits.fixture is None:
        yield place.mistake(
            "accept", "no limit is given", "[accept] as in a variant, [fixture.protect] as in a rig file"
        )
    accept = place.inside("accept")
    for name, each in (limits.accept or {}).items():
        yield from _unknown(accept, name, figures)
        yield from acceptance_mistakes(accept.inside(name), each)
    protect = place.inside("fixture").inside("protect")
    for name in limits.fixture.protect if limits.fixture is not None else ():
        yield from _unknown(protect, name, [*raw, *figures])


def _unknown(place: Place, name: str, known: Collection[str]) -> Iterator[ConfigError]:
    if name not in known:
        yield place.mistake(
            name, f"unknown figure {shown(name)}{did_you_mean(name, known)}", listed(sorted(known))
        )
