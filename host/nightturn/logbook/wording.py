"""The logbook as people read it."""

from collections.abc import Callable

from nightturn.evidence.wording import BY_CAUSE
from nightturn.logbook.entries import NOTHING, OTHER, Entry
from nightturn.logbook.torn_down import Outcome, Tally
from nightturn.model.quantities import bytes_text, number

Moment = Callable[[int], str]
"""A time, UTC ns, by the clocks of people."""
UNNAMED = {OTHER: "something that the table of causes does not name", NOTHING: "nothing wrong"}


def cause_text(cause: str) -> str:
    """A cause in words."""
    rule = BY_CAUSE.get(cause)
    return rule.title if rule is not None else UNNAMED.get(cause, cause)


def what_text(entry: Entry) -> str:
    """What a line is, with what it found or was done for: `found: damage in a bearing (predicted)`."""
    if entry.kind == "finding":
        return f"found: {cause_text(entry.cause)} ({_predicted(entry)})"
    if entry.kind == "intervention":
        if entry.cause == OTHER:
            return "intervention"
        return f"intervention, for {cause_text(entry.cause)} ({_predicted(entry)})"
    if entry.kind == "closed":
        return f"answers {entry.closes}"
    return "note, to be answered" if entry.open else "note"


def _predicted(entry: Entry) -> str:
    if entry.predicted is None:
        return f"what was predicted is not known: {entry.unpredicted}" if entry.unpredicted else "not known"
    if any(each.cause == entry.cause for each in entry.predicted):
        return "predicted"
    others = ", ".join(dict.fromkeys(each.cause for each in entry.predicted))
    if entry.cause == NOTHING:
        return f"predicted was {others}" if others else "nothing was predicted"
    return f"not predicted; predicted was {others}" if others else "not predicted"


def place_text(entry: Entry, moment: Moment) -> str:
    """What a line is of: `Q-0121, pan-a2, 20261127T230628Z-de03, 2026-11-28 03:12:00 +01:00, cycle 46, at 124°`; empty of the bench alone."""
    parts = [each for each in (entry.unit, entry.fixture, entry.run) if each]
    parts += [moment(entry.at_ts)] if entry.at_ts is not None else []
    parts += [f"cycle {entry.cycle_no}"] if entry.cycle_no is not None else []
    parts += [f"at {number(entry.angle_deg, 4)}°"] if entry.angle_deg is not None else []
    return ", ".join(parts)


def photo_texts(entry: Entry) -> list[str]:
    """A sentence for each photo: where it lies, how large, and what was not stored."""
    said = []
    for each in entry.photos:
        left = f"; not stored: {', '.join(each.removed)}" if each.removed else ""
        size = f"{each.width} x {each.height} pixels, {bytes_text(each.bytes)}"
        said.append(f"photo {each.named}, {size}, in logbook/photos/{each.file}{left}")
    return said


def outcome_text(each: Outcome) -> str:
    """What came of one cause: `predicted and found: damage in a bearing`."""
    if not each.known:
        return f"found, what was predicted is not known: {cause_text(each.cause)}"
    if each.cause == NOTHING:
        return "found: nothing wrong"
    if not each.shown:
        return f"predicted, and a tear-down does not show it: {cause_text(each.cause)}"
    did = "predicted and found" if each.predicted and each.found else "predicted, not found"
    return f"{did if each.predicted else 'found, not predicted'}: {cause_text(each.cause)}"


def tally_text(found: Tally) -> str:
    """`hits 2 (predicted and found), misses 1 (predicted, not found), not predicted 0`."""
    parts = [
        f"hits {found.hits} (predicted and found)",
        f"misses {found.misses} (predicted, not found)",
        f"not predicted {found.not_predicted} (found all the same)",
    ]
    parts += [f"not shown by a tear-down {found.not_shown}"] if found.not_shown else []
    parts += [f"nothing predicted and nothing found {found.right_quiet}"] if found.right_quiet else []
    parts += [f"not counted {found.unknown} (not known what was predicted)"] if found.unknown else []
    return ", ".join(parts)
