"""What a row of the table of causes is made of."""

from typing import NamedTuple


class Moved(NamedTuple):
    """A kind of feature and the sense in which it must have moved: +1, -1 or, with 0, either; `far`: by what matters at least."""

    kind: str
    sign: int
    far: bool = False


def up(kind: str) -> Moved:
    """It must have become more."""
    return Moved(kind, 1)


def down(kind: str) -> Moved:
    """It must have become less."""
    return Moved(kind, -1)


def either_way(kind: str) -> Moved:
    """It must have moved."""
    return Moved(kind, 0)


def far(kind: str) -> Moved:
    """It must have moved by what matters of it at least; less than that may be temperature or a mount."""
    return Moved(kind, 0, far=True)


class Rule(NamedTuple):
    """One cause.

    Attributes:
        cause: its key; title: in words, behind "consistent with".
        needs: each must be met by one of its alternatives.
        still: kinds that must not have moved; one that was not seen makes the finding weaker.
        may: kinds that the cause may move as well, beside those it needs.
        not_when: interventions with which it says nothing. only_when: interventions of which one must be known.
        unless_seen: kinds with which another row decides. only_seen: kinds without which it cannot be told from another row.
        yields_to: causes that would have moved what it needs as well.
        weaker_when: interventions that could have done the same.
        hands: what to measure next brings somebody's hands to the rig.
        competing, next: the competing explanation, and what to measure next.
    """

    cause: str
    title: str
    needs: tuple[tuple[Moved, ...], ...]
    competing: str
    next: str
    still: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    not_when: tuple[str, ...] = ()
    only_when: tuple[str, ...] = ()
    unless_seen: tuple[str, ...] = ()
    only_seen: tuple[str, ...] = ()
    yields_to: tuple[str, ...] = ()
    hands: bool = False
    weaker_when: tuple[str, ...] = ()
