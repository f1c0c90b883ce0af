"""The verdict of a night, as core, manifest, MQTT and `--json` pass it on."""

import msgspec


class LimitVerdict(msgspec.Struct, frozen=True):
    """One limit over the whole night.

    Attributes:
        figure: what it is a limit of, in the unit that the name ends with.
        direction: `max`: the figure must not exceed it.
        condition: under which it holds, in words; empty for always.
        value, u, nu: mean of all judged cycles, its standard uncertainty and degrees of freedom; none without a cycle.
        limit: in the figure's unit.
        word: accept, reject, undecided.
        cycles_judged: cycles that it could be held against.
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


class NightVerdict(msgspec.Struct, frozen=True):
    """What all judged cycles of a run say together, so far or at its end.

    Attributes:
        word: accept, reject, undecided; not judged where nothing is to be judged by.
        reasons: a sentence for each limit that decides the word.
        would_decide: what would decide it, for an undecided one.
        cycles, planned: finished, and of the plan.
    """

    word: str
    reasons: tuple[str, ...]
    limits: tuple[LimitVerdict, ...] = ()
    would_decide: tuple[str, ...] = ()
    cycles: int = 0
    planned: int = 0
