"""A damaged segment made whole again: its bytes kept aside, its lost records told, a lost snapshot worked out anew."""

import msgspec
import structlog

from nightturn.errors import NightturnError
from nightturn.fixture.core import Fixture
from nightturn.model import facts
from nightturn.model.facts import RunOpened
from nightturn.model.records import Host
from nightturn.storage import paths, recovery, tape, tree
from nightturn.storage.aside import set_aside
from nightturn.storage.recovery import Damaged, Leftover
from nightturn.storage.salvage import mended
from nightturn.storage.segment import Segment, SegmentHeader, read_segment
from nightturn.world import Files

log: structlog.stdlib.BoundLogger = structlog.get_logger()


def mend(files: Files, damaged: Damaged, before: Fixture | None, *, last: bool = False) -> Leftover | None:
    """Put a whole segment in the place of a damaged one; None when nothing says what its records mean: it is set aside.

    Args:
        files: the data root.
        damaged: what is left of it.
        before: a core at the end of the segment before, if that is unsealed too.
        last: no record number after its last one is in use.

    Raises:
        StorageError: the damaged bytes or the mended segment cannot be written; nothing has changed then.
    """
    kept = recovery.keep_aside(files, damaged)
    log.error("tape_damaged", path=damaged.path, kept=list(kept))
    snapshot = _snapshot(files, damaged, before)
    header = damaged.found.header or _header(damaged, snapshot)
    if header is None or not snapshot:
        kept_as = set_aside(files, damaged.path)
        why = "nothing in it says which run it is of" if snapshot else "no snapshot precedes its records"
        log.error("segment_set_aside", path=damaged.path, kept=kept_as, why=why)
        return None
    content = mended(damaged.content, damaged.found, header, snapshot, last=last)
    recovery.put_in_place(files, damaged.path, content)
    return Leftover(damaged.path, read_segment(content, damaged.path))


def _snapshot(files: Files, damaged: Damaged, before: Fixture | None) -> bytes:
    """The state before the segment's first record: its own, that of a new run, or where the segment before has led."""
    found = damaged.found
    for entry in found.entries:
        if entry.kind == tape.SNAPSHOT and entry.record_no < found.first_record_no:
            return damaged.content[entry.start : entry.stop]
    if _opened(damaged) is not None:
        return Fixture(found.first_record_no).snapshot()
    core = before if before is not None else _sealed_before(files, damaged)
    if core is not None and core.state.record_no == found.first_record_no - 1:
        return core.snapshot()
    return b""


def _sealed_before(files: Files, damaged: Damaged) -> Fixture | None:
    folder = damaged.path.rpartition("/")[0]
    for path in reversed(tree.segments(files, f"{folder}/sealed")):
        if paths.first_of_segment(path) < damaged.found.first_record_no:
            try:
                return played(read_segment(files.read(path), path))
            except (NightturnError, msgspec.MsgspecError, UnicodeDecodeError):
                return None
    return None


def played(segment: Segment) -> Fixture | None:
    """A core fed with a whole segment from its snapshot; None when it has none.

    Raises:
        SchemaVersionError: the snapshot is of another version.
    """
    snapshot = next(iter(segment.snapshots()), None)
    if snapshot is None:
        return None
    core = Fixture()
    core.restore(snapshot.state)
    for _, record in segment.records():
        core.handle(record)
    return core


def _opened(damaged: Damaged) -> RunOpened | None:
    """The run that the segment's first record opens, if it does."""
    for entry in damaged.found.entries:
        if entry.record_no != damaged.found.first_record_no or entry.kind != tape.HOST:
            continue
        record = tape.decode(entry.kind, entry.at_ns, damaged.content[entry.start : entry.stop])
        if isinstance(record, Host) and record.kind == facts.RUN_OPENED:
            return msgspec.msgpack.decode(record.body, type=RunOpened)
    return None


def _header(damaged: Damaged, snapshot: bytes) -> SegmentHeader | None:
    """A header made from what the state or the first record says; None when neither knows the run."""
    opened = _opened(damaged)
    epoch = opened.epoch if opened is not None else 0
    if opened is None and snapshot:
        core = Fixture()
        try:
            core.restore(snapshot)
        except (NightturnError, msgspec.MsgspecError, UnicodeDecodeError):
            return None  # of another version
        opened, epoch = core.state.run.opened, core.state.epoch.no
    if opened is None:
        return None
    found = damaged.found
    fixture = damaged.path.split("/")[1]
    utc_ns = opened.utc_offset_ns + (found.entries[0].at_ns if found.entries else 0)
    return SegmentHeader(
        found.segment_id,
        fixture,
        opened.run,
        epoch,
        found.first_record_no,
        utc_ns,
        opened.host_version,
        "1.0",
    )
