"""The logbook, and what is open, as a person reads it."""

from pathlib import Path

from nightturn.cli.output import HANG, print_json, print_table, print_text
from nightturn.logbook.entries import Entry
from nightturn.logbook.wording import photo_texts, place_text, what_text
from nightturn.shift.handover import Handover
from nightturn.shift.listed import Listed
from nightturn.storage.zones import local_text


def show_entries(root: Path, found: Listed, *, as_json: bool) -> None:
    """Lines of the logbook, and what of it cannot be read."""
    if as_json:
        print_json(found)
        return
    for each in found.entries:
        for text in _lines(each, found):
            print_text(text, hang=HANG)
    if not found.entries:
        print_text(f"no such line in the logbook of {root}")
    for damage in found.damages:
        print_text(f"not read: {damage}; `nightturn verify` says more", hang=HANG)


def _lines(entry: Entry, found: Listed) -> list[str]:
    def moment(ts: int) -> str:
        return local_text(ts, found.timezone)

    said = [f"{entry.number}  {moment(entry.utc_ns)}  {entry.by}: {what_text(entry)}"]
    said += [f"  of {place_text(entry, moment) or 'the whole bench'}"]
    said += [f"  {line}" for line in entry.text.splitlines() if line.strip()]
    said += [f"  {text}" for text in photo_texts(entry)]
    said += [f"  answered by {found.closed[entry.number]}"] if entry.number in found.closed else []
    said += ["  waits for an answer"] if entry.number in found.unanswered else []
    return said


def show_handover(found: Handover) -> None:
    """What each fixture does, as far as a daemon says it, and what is open."""
    print_text(f"handover of {local_text(found.now_ns, found.timezone)}")
    if found.daemon:
        for name, state in found.fixtures:
            print_text(f"{name}: {state}", hang=HANG)
    else:
        print_text(
            "no daemon answers: what a fixture does now is not known, it is as recorded last", hang=HANG
        )
    if not found.items:
        print_text("nothing is open")
        return
    rows = []
    for each in found.items:
        rows += [(each.kind, each.of, each.text), ("", "", f"then: {each.then}")]
    print_table(f"open: {len(found.items)}", ("what", "of", ""), rows)
