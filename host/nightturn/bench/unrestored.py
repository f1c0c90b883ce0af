"""A run that its manifest calls running, and no unsealed tape that says where it stands.

Its identity goes on from what is sealed. What the lost tape held may have moved the shaft or forbidden to, so its
travel counts as unknown and its motion waits for a person.
"""

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from nightturn.bench.mending import played
from nightturn.errors import CorruptFileError, NightturnError
from nightturn.fixture.core import Fixture
from nightturn.fixture.owners.chunk import Chunk
from nightturn.fixture.owners.epoch import Epoch
from nightturn.fixture.owners.motion import Motion
from nightturn.fixture.owners.run import Run
from nightturn.fixture.state import FixtureState, to_bytes
from nightturn.model.facts import RunOpened
from nightturn.model.rows import CYCLES
from nightturn.motion.planner import Planner
from nightturn.storage import paths, tree
from nightturn.storage.manifest import RUNNING, Manifest, newest_run, usable_manifest
from nightturn.storage.parquet import facts_of
from nightturn.storage.segment import read_segment
from nightturn.world import Files

UNNAMED = "what is left of the last run cannot be read, so nobody knows where its shaft stands"
LOST = "the tape that says where the run stands is gone, so its travel is unknown"


def find(files: Files, fixture: str, next_record_no: int) -> tuple[Fixture | None, str]:
    """A core that stands where the newest run goes on, its travel unknown, and why.

    Without a core the text says why the run that there was cannot be named; it is empty when none was under way.

    Raises:
        StorageError: what is sealed cannot be read.
        OSError: the same, in the system's words.
    """
    run = newest_run(files, fixture)
    if not run:
        return None, ""
    manifest = usable_manifest(files, fixture, run)
    if manifest is not None and manifest.state != RUNNING:
        return None, ""
    core = _from_sealed_tape(files, fixture, run)
    if core is None and manifest is not None:
        core = _from_chunks(files, manifest)
    if core is None:
        return None, UNNAMED
    if not core.state.run.under_way:
        return None, ""
    core.state.next_record(next_record_no)
    lock(core.state, LOST)
    return core, LOST


def lock(state: FixtureState, why: str) -> None:
    """What goes on from this state has an unknown travel, and its motion waits for a person."""
    assert state.run.opened is not None
    state.motion.lose_travel(f"unknown: {why}")
    state.run.amend(msgspec.structs.replace(state.run.opened, lost=why))


def _from_sealed_tape(files: Files, fixture: str, run: str) -> Fixture | None:
    """The core at the end of the run's last sealed segment; None when retention has taken it or it cannot be read."""
    for path in reversed(tree.segments(files, paths.sealed_folder(fixture))):
        try:
            segment = read_segment(files.read(path), path)
            if segment.header.run != run:
                continue
            core = played(segment)
        except (NightturnError, msgspec.MsgspecError, UnicodeDecodeError):
            return None
        return core if core is not None and core.state.run.opened is not None else None
    return None


def _from_chunks(files: Files, manifest: Manifest) -> Fixture | None:
    """What the run's Parquet files say: epoch, chunk, cycle and time follow theirs; None by an unknown manifest."""
    chunks = _facts(files, manifest, paths.RAW)
    epoch = max((int(facts["epoch"]) for facts in chunks), default=-1) + 1
    chunk_no = max((int(facts["chunk_no"]) for facts in chunks), default=-1) + 1
    cycles = _cycle_numbers(files, manifest)
    previous_ts = max((int(facts["ts_last"]) + 1 for facts in chunks if facts["ts_last"]), default=0)
    opened = RunOpened(
        run=manifest.run,
        rig=manifest.rig,
        variant=manifest.variant,
        card=manifest.card,
        calibration=manifest.calibration,
        utc_offset_ns=0,
        started_utc_ns=manifest.started_utc_ns,
        first_record_no=0,
        epoch=epoch,
        chunk_no=chunk_no,
        resumed=True,
        control_period_ms=100,
        nonce=1,
        host_version=manifest.host_version,
        cycle_no=max(cycles, default=0) + 1,
        cycles_done=len(cycles),
    )
    state = FixtureState(
        run=Run.of(opened),
        epoch=Epoch.following(epoch, previous_ts),
        chunk=Chunk(no=chunk_no),
        motion=Motion(planner=Planner(cycles_done=len(cycles))),
    )
    core = Fixture()
    try:
        core.restore(to_bytes(state))
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None
    return core


def _facts(files: Files, manifest: Manifest, dataset: str) -> list[dict[str, str]]:
    return [
        facts_of(pq.read_metadata(pa.BufferReader(files.read(path))), path)
        for path in _paths(files, manifest, dataset)
    ]


def _cycle_numbers(files: Files, manifest: Manifest) -> set[int]:
    found: set[int] = set()
    for path in _paths(files, manifest, CYCLES):
        try:
            table = pq.read_table(pa.BufferReader(files.read(path)), columns=["cycle_no"], use_threads=False)
        except pa.ArrowException as problem:
            raise CorruptFileError(path, f"cannot be read: {problem}") from problem
        found.update(int(number) for number in table["cycle_no"].to_pylist() if number is not None)
    return found


def _paths(files: Files, manifest: Manifest, dataset: str) -> list[str]:
    folder = tree.run_folder(files, dataset, manifest.fixture, manifest.run)
    return [path for path, _ in tree.chunks(files, folder.path)] if folder is not None else []
