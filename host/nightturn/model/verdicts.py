"""Met, missed or undecided: the one rule by which an interval is held against a limit, and its words.

The rule is acceptance with a guard band after JCGM 106:2012, used for figures of a cycle and for shunt checks alike. A
protective limit is another matter: it acts on the value alone (`limits.exceeds`), because waiting for proof may cost the
rig.
"""

from collections.abc import Iterable

from nightturn.model.limits import exceeds

MET = "met"
MISSED = "missed"
UNDECIDED = "undecided"
NOT_JUDGED = "not judged"

GRAVEST_FIRST = (MISSED, NOT_JUDGED, UNDECIDED, MET)
"""A limit that could not be judged weighs more than one that stayed undecided: more cycles alone may settle the latter."""

MAX = "max"
MIN = "min"
"""Which side a limit bounds: a figure must not exceed `max` and not fall below `min`."""

DECISION_RULE = (
    "met or missed only when the whole 95 % interval lies on one side of limit and guard band, otherwise undecided "
    "(JCGM 106:2012, 8.3; stated as ISO/IEC 17025:2017, 7.8.6 asks)"
)
"""Named with every verdict, so that a reader knows who carries the risk of a value near its limit."""

ACCEPT = "accept"
REJECT = "reject"
OF_ALL_LIMITS = {MET: ACCEPT, MISSED: REJECT, UNDECIDED: UNDECIDED, NOT_JUDGED: NOT_JUDGED}
"""What the gravest word on any limit makes of the whole: a limit is met or missed, a unit is accepted or rejected."""


def against(low: float, high: float, limit: float, guard: float = 0.0, bound: str = MAX) -> str:
    """The word on a limit: only the whole interval, from `low` to `high`, meets or misses it.

    An upper limit is met up to `limit - guard`, the end on that line included, and missed from `limit` on; a lower one
    (`bound` = `min`) is the same seen in a mirror. Else undecided. All in one unit.
    """
    if bound == MIN:
        return against(-high, -low, -limit, guard)
    if not exceeds(high, limit - guard):
        return MET
    return UNDECIDED if exceeds(limit, low) else MISSED


def ends_of(value: float, half: float, *, signed: bool) -> tuple[float, float]:
    """Ends of the interval of what a limit bounds: the value with its sign, or its magnitude, which ends at 0."""
    if signed:
        return value - half, value + half
    return max(abs(value) - half, 0.0), abs(value) + half


def gravest(words: Iterable[str]) -> str:
    """The word that decides over several limits; `not judged` where there is none."""
    found = set(words)
    return next((word for word in GRAVEST_FIRST if word in found), NOT_JUDGED)
