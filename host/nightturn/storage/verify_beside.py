"""Checks of the files beside a run's data: mount cards, calibration and rig records, marks of retention. Nothing is changed.

What the manifest keeps of card and calibration record is compared with the files that are the truth for the next run.
"""

from collections.abc import Iterator
from typing import NamedTuple, TypeVar

import msgspec

from nightturn.calibration.records import INLINE, CalibrationRecord, parse
from nightturn.calibration.rig_records import file_of, parse_rig_records
from nightturn.errors import CalibrationError
from nightturn.model.cards import MountCard
from nightturn.model.lines import checked
from nightturn.model.rig_record import RigRecord
from nightturn.storage import paths
from nightturn.storage.manifest import Manifest
from nightturn.storage.marks import LOG, read_lines
from nightturn.storage.scales import settings_of
from nightturn.world import ReadFiles

T = TypeVar("T")
AGAIN = "`nightturn keep` of the run writes it into both"


class Found(NamedTuple):
    """One thing found: a problem, or where `wrong` is false, what could not be checked."""

    kind: str
    path: str
    detail: str
    wrong: bool = True


def cards(files: ReadFiles, manifest: Manifest) -> Iterator[Found]:
    """The fixture's mount cards, and whether the one of the run is among them."""
    path = f"mounts/{manifest.fixture}.jsonl"
    own = _decoded(manifest.card, MountCard)
    try:
        lines = files.read(path).split(b"\n")
    except FileNotFoundError:
        if own is not None:
            yield Found("card", path, f"is absent; the run was opened with the card of unit {own.unit}")
        return
    if lines[-1]:
        yield Found("card", path, "its last line has no end; it was never in force", wrong=False)
    known: list[MountCard] = []
    bare = 0
    for number, line in enumerate(lines[:-1], start=1):
        if not line.strip():
            continue
        try:
            text, signed = checked(line)
            known.append(msgspec.json.decode(text, type=MountCard))
            bare += not signed
        except (msgspec.DecodeError, UnicodeDecodeError) as problem:
            yield Found("card", path, f"line {number} is no mount card: {problem}")
    if own is not None and own not in known:
        yield Found("card", path, f"has no line of the card that the run was opened with (unit {own.unit})")
    if bare:
        yield _unsigned("card", path, bare)


def calibrations(files: ReadFiles, manifest: Manifest) -> Iterator[Found]:
    """The records of the transducer, and whether the one of the run is among them."""
    settings = settings_of(manifest)
    own = _decoded(manifest.calibration, CalibrationRecord)
    serial = settings.transducer.serial if settings is not None else own.transducer if own is not None else ""
    if not serial:
        return
    path = f"calibrations/{serial}.jsonl"
    of_file = own is not None and not own.id.startswith(INLINE)
    try:
        content = files.read(path)
        records = parse(content.decode(), where=path)
    except FileNotFoundError:
        if own is not None and of_file:
            yield Found("calibration", path, f"is absent; the run was opened with its record {own.id!r}")
        return
    except (CalibrationError, UnicodeDecodeError) as problem:
        yield Found("calibration", path, str(problem))
        return
    if own is not None and of_file and own not in records:
        yield Found("calibration", path, f"does not hold record {own.id!r} as the run was opened with it")
    bare = sum(not checked(line)[1] for line in content.splitlines() if line.strip())
    if bare:
        yield _unsigned("calibration", path, bare)


def rig_records(files: ReadFiles, manifest: Manifest) -> Iterator[Found]:
    """The records of the rig, and whether the one of the run is among them; most rigs have none."""
    own = _decoded(manifest.rig_record, RigRecord)
    path = file_of(manifest.fixture)
    try:
        records = parse_rig_records(files.read(path).decode(), where=path)
    except FileNotFoundError:
        if own is not None:
            yield Found("rig_record", path, f"is absent; the run was opened with its record {own.id!r}")
        return
    except (CalibrationError, UnicodeDecodeError) as problem:
        yield Found("rig_record", path, str(problem))
        return
    if own is not None and own not in records:
        yield Found("rig_record", path, f"does not hold record {own.id!r} as the run was opened with it")


def marks(files: ReadFiles, fixture: str, run: str) -> Iterator[Found]:
    """Who kept the run and what was cleared: what stands beside its manifest stands in the log too, and the other way round.

    A line of the log that cannot be read is the reader's to report.

    Raises:
        StorageError: one of the two cannot be read.
    """
    path = paths.marks_path(fixture, run)
    beside, log = read_lines(files, path), read_lines(files, LOG)
    of_run = [mark for mark in log.marks if (mark.fixture, mark.run) == (fixture, run)]
    if beside.damage:
        yield Found("retention", path, f"{beside.damage}; the run counts as kept")
    lost = [mark for mark in beside.marks if mark not in of_run]
    if lost:
        yield Found("retention", LOG, f"lacks {_lines(len(lost))} that {path} has; {AGAIN}")
    lost = [mark for mark in of_run if mark not in beside.marks]
    if lost:  # an older version wrote the log only, without checksums
        detail = f"lacks {_lines(len(lost))} that {LOG} has; {AGAIN}"
        yield Found("retention", path, detail, wrong=not log.unsigned)
    if of_run and log.unsigned:
        yield _unsigned("retention", LOG, log.unsigned)
    for where, torn in ((LOG, log.torn), (path, beside.torn)):
        if torn:
            yield Found("retention", where, "its last line has no end; it was never in force", wrong=False)


def _unsigned(kind: str, path: str, count: int) -> Found:
    lines = "1 line of it has" if count == 1 else f"{count} lines of it have"
    return Found(kind, path, f"{lines} no checksum", wrong=False)


def _lines(count: int) -> str:
    return "1 line" if count == 1 else f"{count} lines"


def _decoded(text: str, kind: type[T]) -> T | None:
    """What the manifest keeps as text; None when it keeps nothing of that kind."""
    try:
        return msgspec.json.decode(text, type=kind)
    except msgspec.DecodeError:
        return None
