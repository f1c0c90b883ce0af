"""What may be open on a bench, kind by kind: fixtures that wait for a person, verdicts, limits, calibrations, notes, the disk."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from nightturn.bench.room import ENOUGH_BYTES, RESERVE_BYTES
from nightturn.calibration.due import DUE_DAYS, has_end, is_due, validity_text
from nightturn.calibration.records import in_force, parse
from nightturn.errors import CalibrationError, NightturnError
from nightturn.estimation.purpose import NOT_ASKED
from nightturn.logbook.wording import place_text
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import bytes_text
from nightturn.model.verdicts import ACCEPT, UNDECIDED
from nightturn.motion.permission import MotionState
from nightturn.sentences.purpose import purpose_text
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import LOG, read_logbook
from nightturn.storage.manifest import ENDED
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary
from nightturn.storage.scales import settings_of
from nightturn.storage.zones import local_text

UNREAD_MAX = 10
"""Runs that are named one by one."""
WAITS = frozenset({MotionState.LOCKED, MotionState.PAUSED, MotionState.STOPPING})
UNCONFIRMED, EXCEEDED = "limit_unconfirmed", "limit_exceeded"
CALIBRATED = "calibrations"


class OpenItem(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is open.

    Attributes:
        kind: fixture, verdict, limit, calibration, note, disk, or unread: of it nothing can be said.
        of: fixture, unit, transducer or number of a line; empty for the whole bench.
        text: what, a sentence. then: what settles it.
    """

    kind: str
    of: str
    text: str
    then: str


def recorded_wait(root: Path, newest: RunSummary) -> Iterator[OpenItem]:
    """What a fixture waited for when that was last recorded, for where no daemon answers: nothing is known of now."""
    then = "`nightturn serve`, then `nightturn status`; look at the rig itself first"
    reasons = []
    if newest.state == ENDED:
        manifest = Run(root, newest.fixture, newest.run).manifest
        locks = manifest.locks if manifest is not None else ()
        reasons = [f"{lock.text}, since {local_text(lock.ts, newest.timezone)}" for lock in locks]
    elif newest.motion in WAITS:
        reasons = [f"it was {newest.motion}: {newest.motion_text}"]
    for each in reasons:
        said = f"recorded last, no daemon says what holds now: {each}"
        yield OpenItem(kind="fixture", of=newest.fixture, text=said, then=then)


def undecided(newest_of_unit: RunSummary) -> Iterator[OpenItem]:
    """A unit whose newest night has ended without a decision, or accepts it where a release was asked for and is none."""
    run, verdict = newest_of_unit, newest_of_unit.night_verdict
    if run.state != ENDED or verdict is None:
        return
    if verdict.word == ACCEPT and verdict.engineering_because not in ((), (NOT_ASKED,)):
        text = f"the night of run {run.run} on {run.fixture} accepts it, but releases nothing: {purpose_text(verdict)}"
        yield OpenItem(kind="verdict", of=run.unit, text=text, then="put that right, then another night")
    if verdict.word != UNDECIDED:
        return
    why = "; ".join(verdict.reasons) or "no reason is on record"
    decides = "; ".join(verdict.would_decide) or "nothing is on record that would decide it"
    text = f"the night of run {run.run} on {run.fixture} is undecided: {why}; {purpose_text(verdict)}"
    yield OpenItem(kind="verdict", of=run.unit, text=text, then=decides)


def unconfirmed(root: Path, newest: RunSummary) -> Iterator[OpenItem]:
    """Limits of a run under way that cycles are still to confirm; of each figure the newest sign, unless the limit was passed behind it.

    Raises:
        StorageError: the events cannot be read.
    """
    if newest.state == ENDED:
        return
    signs: dict[str, tuple[int, str]] = {}
    events = Run(root, newest.fixture, newest.run).events().sort_values("ts", kind="stable")
    for ts, kind, detail in zip(events["ts"].astype("int64"), events["kind"], events["detail"], strict=True):
        figure = str(detail).partition(" ")[0]
        if kind == UNCONFIRMED:
            signs[figure] = (int(ts), str(detail))
        elif kind == EXCEEDED:
            signs.pop(figure, None)
    for ts, detail in signs.values():
        text = f"{detail}, at {local_text(ts, newest.timezone)}, as far as its events are on the disk"
        then = "the next cycles; `nightturn status` says what holds now"
        yield OpenItem(kind="limit", of=newest.fixture, text=text, then=then)


def calibration_due(root: Path, newest: RunSummary, now_ns: int, days: int) -> Iterator[OpenItem]:
    """The transducer of a fixture whose calibration has ended or soon will, by its own end, else by its age, or is of no known date.

    Raises:
        StorageError: the run's record cannot be read.
    """
    settings = settings_of(Run(root, newest.fixture, newest.run).manifest)
    if settings is None:
        return
    serial, now = settings.transducer.serial, datetime.fromtimestamp(now_ns // NS_PER_S, UTC)
    path = f"{CALIBRATED}/{serial}.jsonl"
    then = f"a new certificate, as a line of {path}"
    try:
        records = parse(RealFiles(root).read(path).decode(), where=path)
        record = in_force(records, now)
    except FileNotFoundError:
        text = f"on {newest.fixture} has no calibration record, only the factor of the rig file: nobody knows since when"
        yield OpenItem(kind="calibration", of=serial or "unnamed transducer", text=text, then=then)
        return
    except (OSError, UnicodeDecodeError, CalibrationError) as problem:
        yield OpenItem(kind="unread", of=serial, text=str(problem), then=f"correct {path}")
        return
    if has_end(record):
        if is_due(record, now):
            text = f"on {newest.fixture}: record {record.id} {validity_text(record, now)}"
            yield OpenItem(kind="calibration", of=serial, text=text, then=then)
        return
    begins_ns = round(record.valid_from.timestamp()) * NS_PER_S
    age_days = (now_ns - begins_ns) // (86_400 * NS_PER_S)
    if age_days < days - DUE_DAYS:
        return
    left = days - age_days
    due = f"due in {left} days" if left > 0 else "due today" if not left else f"due for {-left} days"
    text = f"on {newest.fixture}: record {record.id} is {age_days} days old, with {days} days from one calibration to the next {due}"
    yield OpenItem(kind="calibration", of=serial, text=text, then=then)


def unanswered(root: Path, timezone: str) -> Iterator[OpenItem]:
    """Lines of the logbook that somebody is to answer, and lines that cannot be read, for they may be such.

    Raises:
        StorageError: the logbook cannot be read.
    """
    book = read_logbook(RealFiles(root))
    for damage in book.damages:
        then = "`nightturn verify`; a line that is lost may have been to be answered"
        yield OpenItem(kind="unread", of=LOG, text=damage, then=then)

    def moment(ts: int) -> str:
        return local_text(ts, timezone)

    for each in book.unanswered:
        place = place_text(each, moment) or "the whole bench"
        text = f"{each.by}, {moment(each.utc_ns)}, {place}: {each.text or 'see its photo'}"
        then = f'`nightturn note "…" --close {each.number} --operator NAME`'
        yield OpenItem(kind="note", of=str(each.number), text=text, then=then)


def disk(root: Path) -> Iterator[OpenItem]:
    """The data root's disk, where nothing would begin to turn on it."""
    try:
        free = RealFiles(root).room()
    except OSError as problem:
        text = f"how much is free on the disk of {root} cannot be read: {problem}"
        yield OpenItem(kind="unread", of="", text=text, then="look at the disk")
        return
    if free < ENOUGH_BYTES:
        ends = f", and what turns is stopped below {bytes_text(RESERVE_BYTES)}"
        text = f"{bytes_text(free)} free on the disk of {root}: nothing begins to turn with less than {bytes_text(ENOUGH_BYTES)}{ends}"
        yield OpenItem(kind="disk", of="", text=text, then="make room; `nightturn tidy` says what may go")


def unread(runs: Sequence[RunSummary]) -> Iterator[OpenItem]:
    """Runs of which something cannot be read, so that what they leave open is not known; of many the newest."""
    bad = [each for each in runs if each.unreadable]
    for each in bad[:UNREAD_MAX]:
        text = f"run {each.run}: {each.unreadable[0]}"
        yield OpenItem(kind="unread", of=each.fixture, text=text, then="`nightturn verify`")
    if (left := len(bad) - UNREAD_MAX) > 0:
        text = f"{left} older runs have files that cannot be read"
        yield OpenItem(kind="unread", of="", text=text, then="`nightturn verify ROOT --run all`")


def kept_apart(found: Iterator[OpenItem], of: str) -> Iterator[OpenItem]:
    """The same, with an error of the files as one more thing that is open instead of none at all."""
    try:
        yield from found
    except (NightturnError, OSError) as problem:
        yield OpenItem(kind="unread", of=of, text=str(problem), then="`nightturn verify`")
