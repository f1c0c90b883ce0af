"""The two groups of cycles side by side, and how a change becomes a feature."""

import math
from collections.abc import Sequence
from typing import NamedTuple

from nightturn.evidence.comparing import Change
from nightturn.evidence.cycle_values import CycleValues, Declared
from nightturn.evidence.features import LEVEL, Feature

LOOKED_ABOUT = 40
"""So many features are looked at, about: what fewer cycles can show at that level is not seen."""
COUNT_CHANCE = LEVEL / LOOKED_ABOUT


class Groups(NamedTuple):
    """Cycles before and now, what is declared and known, and which kinds must not be compared, with the reason."""

    before: tuple[CycleValues, ...]
    now: tuple[CycleValues, ...]
    declared: Declared
    known: tuple[str, ...]
    unlike: dict[str, str]

    def role(self, roles: Sequence[str]) -> str | None:
        """The first role whose temperature every cycle of both groups has."""
        cycles = (*self.before, *self.now)
        if not self.before or not self.now:
            return None
        return next((role for role in roles if all(role in each.temperatures_degc for each in cycles)), None)

    def lacking(self, before: Sequence[object], now: Sequence[object]) -> str:
        """Why a kind cannot be compared."""
        if not before:
            return "not known of the baseline"
        return "not known of now" if not now else "known in different directions only"


def unseen(kind: str, why: str, name: str = "") -> Feature:
    """A feature of which nothing can be said."""
    return Feature(kind, name, unseen=why)


def feature_of(
    kind: str, change: Change, *, name: str = "", matters: float | None = None, at: float | None = None
) -> Feature:
    """A change as a feature; one that is no number was not seen."""
    if not all(math.isfinite(each) for each in (change.before, change.now, change.u, change.nu)):
        return unseen(kind, "a value of it is no number", name)
    return Feature(
        kind,
        name,
        change.before,
        change.now,
        change.now - change.before,
        change.u,
        change.nu,
        change.chance,
        matters,
        at,
    )
