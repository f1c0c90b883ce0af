"""A run that its manifest calls running, and no unsealed tape that says where it stands.

Its identity goes on from what is sealed, and its judged cycles are counted anew. What the lost tape held may have moved the
shaft or forbidden to, so its travel counts as unknown and its motion waits for a person; and cycles in it are missing from
the night's verdict.
"""

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from nightturn.bench.ledger import write_ended
from nightturn.bench.mending import played
from nightturn.bench.recount import recount
from nightturn.errors import NightturnError
from nightturn.fixture import night
from nightturn.fixture.core import Fixture
from nightturn.fixture.owners.chunk import Chunk
from nightturn.fixture.owners.epoch import Epoch
from nightturn.fixture.owners.motion import Motion
from nightturn.fixture.owners.routine import Routine
from nightturn.fixture.owners.run import Run
from nightturn.fixture.state import FixtureState, to_bytes
from nightturn.fixture.stream import RunSettings
from nightturn.model.facts import RunOpened
from nightturn.motion.permission import Cause
from nightturn.motion.planner import Planner
from nightturn.storage import paths, tree
from nightturn.storage.chunk_file import corruption_named
from nightturn.storage.manifest import RUNNING, Manifest, newest_run, usable_manifest
from nightturn.storage.parquet import facts_of
from nightturn.storage.segment import read_segment
from nightturn.world import Files

UNNAMED = "what is left of the last run cannot be read, so the position of its shaft and the card it used up are unknown"
LOST = "the tape with the state of the run is missing, so its travel is unknown"


def find(
    files: Files, fixture: str, next_record_no: int, *, nothing_unsealed: bool
) -> tuple[Fixture | None, str]:
    """A core that stands where the newest run goes on, its travel unknown, and why.

    Without a core the text says why the run that there was cannot be named; it is empty when none was under way.

    Args:
        files: the data root.
        fixture: its id.
        next_record_no: the first number that was never given out.
        nothing_unsealed: the tape behind what is sealed was there and held no record, so that no cycle can be lost with it.

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
        if manifest is None:  # else the next start would take an older run for the newest
            write_ended(files, fixture, core.state)
        return None, ""
    whole = nothing_unsealed and core.state.record_no + 1 == next_record_no
    core.state.next_record(next_record_no)
    lock(core.state, LOST)
    if not whole:
        night.lost(core.state)
    return core, LOST


def lock(state: FixtureState, why: str) -> None:
    """What goes on from this state has an unknown travel, and its motion waits for a person."""
    assert state.run.opened is not None
    opened, tick_ns = state.run.opened, state.motion.tick_ns
    ts = tick_ns + opened.utc_offset_ns if tick_ns else opened.started_utc_ns
    state.motion.permission.keep(Cause.TRIPPED, why, ts)  # a run that has ended leaves it to the next one
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
        rig_record=manifest.rig_record,
        reference_check=manifest.reference_check,
    )
    try:
        terms = night.terms_of(RunSettings.of(opened))
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None
    counted = recount(files, manifest, terms.accept)
    done = counted.next_cycle - 1
    state = FixtureState(
        record_no=max((int(facts["record_last"]) for facts in chunks), default=-1),
        run=Run.of(msgspec.structs.replace(opened, cycle_no=counted.next_cycle, cycles_done=done)),
        epoch=Epoch.following(epoch, previous_ts),
        chunk=Chunk(no=chunk_no),
        # a cycle that is done had the warm-up and the first soak before it; whether a person was waited for nobody knows
        motion=Motion(
            planner=Planner(cycles_done=done), routine=Routine(warmed=done > 0, soaked_at=done or -1)
        ),
    )
    core = Fixture()
    core.restore(to_bytes(state))
    core.state.run.night.begin(msgspec.msgpack.encode(counted), counted.next_cycle, terms)
    return core


def _facts(files: Files, manifest: Manifest, dataset: str) -> list[dict[str, str]]:
    folder = tree.run_folder(files, dataset, manifest.fixture, manifest.run)
    found = []
    for path, _ in tree.chunks(files, folder.path) if folder is not None else []:
        with corruption_named(path):
            metadata = pq.read_metadata(pa.BufferReader(files.read(path)))
        found.append(facts_of(metadata, path))
    return found
