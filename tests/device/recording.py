"""What a daemon wrote to disk, set against what a device produced: delivered + recorded gaps = produced."""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightturn.bench.recovery import recover
from nightturn.bench.worlds import RealClock
from nightturn.model.records import Bad, Frame, Record
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.paths import journal_folder
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.segment import Segment, read_segment
from nightturn.storage.verify import verify
from nightturn_protocol import messages
from nightturn_protocol.framing import parse_header, parse_message

PRODUCED = np.dtype([("index", "<u8"), ("torque", "<i4"), ("encoder", "<i8")])
Produced = npt.NDArray[np.void]
LOOKS = 20  # at a folder whose files come and go


@dataclass(frozen=True, slots=True)
class Account:
    """One epoch of a recording.

    Attributes:
        delivered: samples on disk.
        missing: samples that a recorded gap inside the epoch declares.
        causes: samples missing by cause.
        first, stop: the stretch of sample numbers that both together cover.
    """

    delivered: int
    missing: int
    causes: dict[str, int]
    first: int
    stop: int


def account_for(root: Path, fixture: str, epoch: int, produced: Produced) -> Account:
    """Check that the epoch's samples are those produced, in order, none altered, and that gaps cover the rest exactly.

    Raises:
        AssertionError: a sample is altered, twice, out of order, or neither delivered nor declared missing.
    """
    run = open_run(root, fixture)
    samples = run.samples(columns=["epoch", "index", "torque_raw", "encoder"])
    samples = samples[samples["epoch"] == epoch]
    index = samples["index"].to_numpy()
    assert len(index), f"nothing of epoch {epoch} is on disk"
    assert (np.diff(index) > 0).all(), "out of order or twice"
    made = produced[np.searchsorted(produced["index"], index)]
    assert (made["index"] == index).all(), "a sample that was never produced"
    assert (made["torque"] == samples["torque_raw"].to_numpy()).all(), "torque was altered"
    assert (made["encoder"] == samples["encoder"].to_numpy()).all(), "the encoder was altered"
    gaps = run.gaps()
    holes = [] if gaps.empty else gaps[(gaps["epoch"] == epoch) & gaps["exact"]].to_dict("records")
    causes: dict[str, int] = {}
    for hole in holes:
        causes[hole["cause"]] = causes.get(hole["cause"], 0) + int(hole["n_missing"])
    declared = _joined([(int(hole["index_from"]), int(hole["index_to"])) for hole in holes])
    breaks = np.flatnonzero(np.diff(index) > 1)
    found = [(int(index[at]) + 1, int(index[at + 1])) for at in breaks]
    stop = int(index[-1]) + 1
    if declared and declared[-1][0] == stop:  # the end of the stream was lost, and that was noticed
        stop = declared[-1][1]
        found.append(declared[-1])
    assert declared == found, "holes on disk and recorded gaps are not the same"
    missing = sum(last - first for first, last in found)
    assert missing == sum(causes.values())
    assert missing + len(index) == stop - index[0]
    return Account(len(index), missing, causes, int(index[0]), stop)


def _joined(stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches [from, to) in order, those that touch as one: a hole may have two causes."""
    joined: list[tuple[int, int]] = []
    for first, stop in sorted(stretches):
        touches = bool(joined) and joined[-1][1] == first
        joined.append((joined.pop()[0] if touches else first, stop))
    return joined


def verified(root: Path) -> None:
    """Seal what the daemon left open at its end, as its next start does; then every run must be all there or explained."""
    for run in list_runs(root):
        files = RealFiles(root)
        recover(files, Journal(files, run.fixture, RealClock()), run.fixture)
    report = verify(root, run="all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]


def _segments(folder: Path) -> list[Segment]:
    """The segments that lie in a folder, which the daemon may still be changing.

    It removes a segment that has held nothing; one that goes between the look and the read means another look.
    """
    for _ in range(LOOKS):
        with suppress(FileNotFoundError):
            return [read_segment(path.read_bytes(), str(path)) for path in folder.rglob("*.ntj")]
    raise AssertionError(f"{folder}: files went in each of {LOOKS} looks")


def _records(root: Path, fixture: str) -> Iterator[Record]:
    """Everything on the fixture's tape, oldest first."""
    for segment in sorted(_segments(root / journal_folder(fixture)), key=lambda each: each.first_record_no):
        for _, record in segment.records():
            yield record


def frames(root: Path, fixture: str) -> list[messages.Message]:
    """Every message but BLOCK that stands on the fixture's tape, oldest first."""
    found: list[messages.Message] = []
    for record in _records(root, fixture):
        if isinstance(record, Frame) and parse_header(record.body).kind != messages.Block.KIND:
            message = parse_message(record.body)
            assert message is not None
            found.append(message)
    return found


def blocks(root: Path, fixture: str) -> list[int]:
    """The data sequence number of every block on the tape, each once, in order."""
    records = [record for record in _records(root, fixture) if isinstance(record, Frame)]
    headers = [parse_header(record.body) for record in records]
    return sorted({header.seq for header in headers if header.kind == messages.Block.KIND})


def blocks_of_boots(root: Path, fixture: str = "pan-a1") -> dict[int, int]:
    """How many blocks are on the tape of each boot that has answered OPEN, by its boot_id, oldest first."""
    found: dict[int, int] = {}
    boot_id = 0
    for record in _records(root, fixture):
        if not isinstance(record, Frame):
            continue
        kind = parse_header(record.body).kind
        if kind == messages.Opened.KIND:
            opened = parse_message(record.body)
            assert isinstance(opened, messages.Opened)
            boot_id = opened.boot_id
            found.setdefault(boot_id, 0)
        elif kind == messages.Block.KIND:
            found[boot_id] += 1
    return found


def bad_frames(root: Path, fixture: str) -> int:
    """Frames that the host could not take."""
    return sum(record.count for record in _records(root, fixture) if isinstance(record, Bad))


def newest_status(root: Path, fixture: str) -> messages.Status:
    """The device's last STATUS on the tape."""
    return next(each for each in reversed(frames(root, fixture)) if isinstance(each, messages.Status))
