"""The verdict of a night, as core, manifest, MQTT and `--json` pass it on."""

from typing import Literal

import msgspec

from nightturn.model.figures import BUDGET, REPEATABILITY
from nightturn.model.purposes import Purpose
from nightturn.model.verdicts import against, ends_of

WITH_SIGN = "with its sign"
"""The part of a limit's condition that says that the value counts with its sign, not its magnitude."""


class LimitVerdict(msgspec.Struct, frozen=True):
    """One limit over the whole night.

    Attributes:
        figure: what it is a limit of, in the unit that the name ends with.
        direction: `max`: the figure must not exceed it; `min`: it must not fall below.
        condition: under which it holds, in words; empty for always.
        value, u, nu: mean of all judged cycles, its standard uncertainty and degrees of freedom; none without a cycle.
        limit: in the figure's unit.
        word: accept, reject, undecided.
        cycles_judged: cycles that it could be held against.
        kind: what `u` holds: the whole `budget`, or `repeatability` where a cycle had no more.
        guard: width of the band inside the limit in which nothing is accepted; 0 also where it was not kept.
    """

    figure: str
    direction: str
    condition: str
    value: float | None
    u: float | None
    nu: float | None
    limit: float
    word: str
    cycles_judged: int
    kind: str = REPEATABILITY
    guard: float = 0.0

    @property
    def signed(self) -> bool:
        """Whether the value counts with its sign."""
        return WITH_SIGN in self.condition.split(", ")

    def word_on(self, value: float, half: float) -> str:
        """Whether an interval meets the limit, misses it or neither; its guard band left out."""
        return against(*ends_of(value, half, signed=self.signed), self.limit, bound=self.direction)


class NightVerdict(msgspec.Struct, frozen=True):
    """What all judged cycles of a run say together, so far or at its end.

    Attributes:
        word: accept, reject, undecided; not judged where nothing is to be judged by.
        reasons: a sentence for each limit that decides the word.
        would_decide: what would decide it, for an undecided one.
        cycles, planned: finished, and of the plan.
        rule: by which it was decided; empty where nothing was.
        purpose: release, or engineering where the card or a condition says so; empty where it was recorded before there were purposes.
        engineering_because: a sentence for each thing that keeps it from being a release.
    """

    word: str
    reasons: tuple[str, ...]
    limits: tuple[LimitVerdict, ...] = ()
    would_decide: tuple[str, ...] = ()
    cycles: int = 0
    planned: int = 0
    rule: str = ""
    purpose: Purpose | Literal[""] = ""
    engineering_because: tuple[str, ...] = ()

    @property
    def kind(self) -> str | None:
        """What its ± hold: the whole `budget` where all do, else `repeatability`; None where nothing was judged."""
        kinds = {each.kind for each in self.limits if each.value is not None}
        return (BUDGET if kinds == {BUDGET} else REPEATABILITY) if kinds else None
