"""What tear-downs found of what was predicted: hits, misses, and what nobody had predicted."""

from collections.abc import Iterable, Sequence

import msgspec

from nightturn.logbook.entries import NOTHING, Entry
from nightturn.logbook.lines import Logbook

IN_THE_UNIT = frozenset({"bearing", "magnets", "slots", "out of centre", "one place", "wear", "field"})
"""Causes that whoever takes a unit apart would see; of any other, such as a cable of the rig, a tear-down that does not find it says nothing."""


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """One cause in one tear-down: whether it was predicted, and whether it was found; one of the two is true.

    Attributes:
        unit, run: of which unit, behind which run of it.
        utc_ns: when the first of its findings was written. by, text: of the finding; empty where it was not found.
        shown: whether a tear-down would have shown it; one that would not is no miss.
        known: whether the predictions of then are on record; where not, `predicted` says nothing and it is counted neither way.
    """

    unit: str
    run: str
    utc_ns: int
    cause: str
    predicted: bool
    found: bool
    shown: bool
    known: bool = True
    by: str = ""
    text: str = ""


class Tally(msgspec.Struct, frozen=True, kw_only=True):
    """How many predicted causes were found (hits), how many were not (misses), and how many were found that nobody had predicted.

    `not_shown` are predicted causes that no tear-down shows; `unknown` are findings of which nobody knows what was predicted; `right_quiet` are
    tear-downs with nothing predicted and nothing found.
    """

    hits: int = 0
    misses: int = 0
    not_predicted: int = 0
    not_shown: int = 0
    unknown: int = 0
    right_quiet: int = 0


def outcomes(book: Logbook) -> tuple[Outcome, ...]:
    """Every cause of every tear-down, in the order of the lines.

    The findings of one unit behind one run of it are one tear-down. Predicted is what every one of its lines says; the predictions were
    written down with each finding, so that no later method and no later night changes them. A finding that was withdrawn is left out.
    """
    closed = book.closings
    groups: dict[tuple[str, str], list[Entry]] = {}
    for each in book.entries:
        if each.kind == "finding" and each.number not in closed:
            groups.setdefault((each.unit, each.run), []).append(each)
    return tuple(outcome for findings in groups.values() for outcome in _of(findings))


def _of(findings: Sequence[Entry]) -> Iterable[Outcome]:
    first = findings[0]
    known = all(each.predicted is not None for each in findings)
    named = {each.cause for finding in findings for each in finding.predicted or ()}
    found = {each.cause: each for each in reversed(findings)}
    seen = [cause for cause in found if cause != NOTHING] or [*found]
    for cause in sorted({*seen, *named}):
        entry = found.get(cause)
        yield Outcome(
            unit=first.unit,
            run=first.run,
            utc_ns=first.utc_ns,
            cause=cause,
            predicted=cause in named,
            found=entry is not None,
            shown=entry is not None or cause in IN_THE_UNIT,
            known=known,
            by=entry.by if entry is not None else "",
            text=entry.text if entry is not None else "",
        )


def tally(found: Iterable[Outcome]) -> Tally:
    """The counts of some outcomes."""
    listed = [*found]
    known = [each for each in listed if each.known and each.cause != NOTHING]
    named = {(each.unit, each.run) for each in listed if each.predicted}
    quiet = [each for each in listed if each.known and each.cause == NOTHING]
    return Tally(
        hits=sum(each.predicted and each.found for each in known),
        misses=sum(each.predicted and not each.found and each.shown for each in known),
        not_predicted=sum(not each.predicted for each in known),
        not_shown=sum(not each.shown for each in known),
        unknown=sum(not each.known for each in listed),
        right_quiet=sum((each.unit, each.run) not in named for each in quiet),
    )
