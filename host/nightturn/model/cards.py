"""The mount card: which unit sits on a fixture, who put it there and when."""

import msgspec
from msgspec import UNSET, UnsetType

from nightturn.model.purposes import ENGINEERING, Purpose
from nightturn.model.tasks import Task

CARD_SCHEMA = 1


class CardVersion(msgspec.Struct, frozen=True):
    """What a card says of its own form; one that says nothing is of the first."""

    schema: int = CARD_SCHEMA


class MountCard(msgspec.Struct, frozen=True, kw_only=True):
    """One line of `mounts/<fixture>.jsonl`; the last line is the card in force, or says that its unit was taken off.

    `since_utc` is when the unit was put there, where a person has said that it has not been touched since; else empty. `mark_deg` is
    the encoder's angle at which the rotor's own mark stands, 0 to below 360, where somebody has read it. `purpose` is what the numbers
    are asked for; a release has conditions beside. `task` is what its run is for where that is not a night; a card without one has no
    such key, as cards before there were tasks.
    """

    unit: str
    variant: str
    operator: str
    notes: str = ""
    mounted_utc: str
    travel_zero_confirmed: bool = False
    taken_off: bool = False
    since_utc: str = ""
    mark_deg: float | UnsetType = UNSET
    purpose: Purpose = ENGINEERING
    task: Task | UnsetType = UNSET

    @property
    def mounting(self) -> str:
        """When the unit was put where it is: cards of one mounting have the same."""
        return self.since_utc or self.mounted_utc
