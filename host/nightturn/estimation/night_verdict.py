"""One word for a night: what its last judged cycles say together."""

from collections.abc import Sequence

from nightturn.model.figures import OK, CycleRecord
from nightturn.model.verdicts import ACCEPT, NOT_JUDGED, REJECT, UNDECIDED

LAST_JUDGED = 5
REJECTS_DECIDE = 3
JUDGED_SHARE_MIN = 0.8
BLIND_MAX = 10
"""A night that ends with more cycles than these, none of them judged, is not accepted on what it was before."""


def night_verdict(cycles: Sequence[CycleRecord]) -> tuple[str, str]:
    """The verdict of a night and why.

    `reject` when three of the last five judged cycles reject; `accept` when all of the last five accept, four in five of
    the complete cycles could be judged at all and the night did not go blind at its end; else `undecided`.
    """
    complete = [cycle for cycle in cycles if cycle.status == OK]
    judged = [cycle for cycle in complete if cycle.verdict != NOT_JUDGED]
    if len(judged) < LAST_JUDGED:
        return (
            UNDECIDED,
            f"only {len(judged)} of {len(cycles)} cycles could be judged; {LAST_JUDGED} are needed",
        )
    last = judged[-LAST_JUDGED:]
    rejects = [cycle for cycle in last if cycle.verdict == REJECT]
    if len(rejects) >= REJECTS_DECIDE:
        return REJECT, "; ".join(rejects[-1].verdict_reasons)
    if len(judged) < JUDGED_SHARE_MIN * len(complete):
        return UNDECIDED, f"only {len(judged)} of {len(complete)} complete cycles could be judged"
    blind = next(n for n, cycle in enumerate(reversed(cycles)) if cycle is last[-1])
    if blind > BLIND_MAX:
        return UNDECIDED, f"none of the last {blind} cycles could be judged"
    if all(cycle.verdict == ACCEPT for cycle in last):
        return ACCEPT, f"the last {LAST_JUDGED} judged cycles accept"
    undecided = [cycle for cycle in last if cycle.verdict != ACCEPT]
    return UNDECIDED, "; ".join(undecided[-1].verdict_reasons)
