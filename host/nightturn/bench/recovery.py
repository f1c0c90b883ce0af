"""After a host restart: what the last daemon left unsealed is fed to a core again and sealed by the same function."""

from dataclasses import dataclass

import structlog

from nightturn.bench.ledger import put_right
from nightturn.bench.runs import Beginning
from nightturn.errors import StorageError
from nightturn.fixture.core import Fixture
from nightturn.fixture.state import FixtureState
from nightturn.model import facts
from nightturn.model.records import Emit, Host, Record
from nightturn.model.rows import CHUNK, RUN_ENDED, STATE, WANT_CUT, ChunkPlan
from nightturn.storage import recovery, tape
from nightturn.storage.journal import Journal
from nightturn.storage.recovery import Leftover
from nightturn.world import Files

log: structlog.stdlib.BoundLogger = structlog.get_logger()
NOT_STORED = frozenset({CHUNK, WANT_CUT, STATE, RUN_ENDED})


@dataclass(frozen=True, slots=True)
class Recovered:
    """What was found: segments sealed, bytes of torn tails, and where the tape goes on."""

    segments: int
    dropped_bytes: int
    beginning: Beginning


def recover(files: Files, journal: Journal, fixture: str) -> Recovered:
    """Put a fixture's folders in order and seal every leftover segment; nothing is deleted.

    Raises:
        StorageError: something cannot be read or moved.
    """
    found = recovery.recover(files, fixture)
    dropped = 0
    state: FixtureState | None = None
    for leftover in found.leftovers:
        state = _seal(files, journal, leftover) or state
        dropped += leftover.segment.dropped_bytes
    beginning = Beginning(first_record_no=found.next_record_no)
    if state is not None:
        put_right(files, fixture, state)
        following = max(found.next_record_no, state.record_no + 1)
        beginning = Beginning(first_record_no=following) if state.ended else goes_on(state, following)
    return Recovered(len(found.leftovers), dropped, beginning)


def goes_on(state: FixtureState, first_record_no: int) -> Beginning:
    """Where the run of a recovered core goes on: next epoch, next chunk, next cycle."""
    assert state.opened is not None
    planner = state.planner
    epoch, previous_ts_ns = state.epoch, state.previous_ts
    if state.timebase is not None:  # the last cut was the station's own and did not end the epoch
        epoch += 1
        if state.chunk.tick_end >= 0:
            previous_ts_ns = state.timebase.ts_of(state.chunk.tick_end)
    estimator = state.measure.estimator if state.measure is not None else None
    return Beginning(
        first_record_no=first_record_no,
        epoch=epoch,
        chunk_no=state.chunk.no,
        run=state.opened.run,
        started_utc_ns=state.opened.started_utc_ns,
        previous_ts_ns=previous_ts_ns,
        travel_zero=planner.travel_zero,
        cycle_no=estimator.assembly.cycle_no if estimator is not None else state.opened.cycle_no,
        cycles_done=planner.cycles_done,
        travel_unknown=state.travel_unknown,
        shunt_first=state.shunt.first,
    )


def _seal(files: Files, journal: Journal, leftover: Leftover) -> FixtureState | None:
    """Feed the segment to a core from its snapshot, close it with a forced cut if it has none, and seal it."""
    segment, path = leftover.segment, leftover.path
    snapshot = next(iter(segment.snapshots()), None)
    if snapshot is None:
        _set_aside(files, path, "it has no snapshot, so nothing can be derived from it")
        return None
    core = Fixture()
    core.restore(snapshot.state)
    rows: list[Emit] = []
    plan: ChunkPlan | None = None
    at_ns = snapshot.at_ns
    for _, record in segment.records():
        at_ns = record.at_ns
        plan = _collect(core, record, rows) or plan
    if core.state.opened is None:
        _set_aside(files, path, "no run was opened in it")
        return None
    if plan is None:
        cut = facts.host(at_ns, facts.CUT, facts.Cut(core.effects_crc, core.state.effects, forced=True))
        _append(files, leftover, cut, core.state.record_no + 1)
        plan = _collect(core, cut, rows)
    assert plan is not None
    try:
        journal.seal(path, plan, rows)
    except StorageError as error:  # the tape keeps it; the fixture goes on
        _complain(path, error)
    return core.state


def _complain(path: str, error: StorageError) -> None:
    log.error("segment_not_sealed", path=path, why=str(error))


def _set_aside(files: Files, path: str, why: str) -> None:
    """Nothing can be made of the segment; it keeps its bytes under another name."""
    log.error("segment_set_aside", path=path, why=why)
    files.replace(path, path + recovery.TORN_SUFFIX)


def _append(files: Files, leftover: Leftover, cut: Host, record_no: int) -> None:
    """The forced cut becomes the segment's last record, after its torn tail is cut off."""
    segment = leftover.segment
    if segment.dropped_bytes:
        files.truncate(leftover.path, segment.good_bytes)
    files.append(
        leftover.path, tape.encode_records([cut], record_no, tape.salt_of(segment.header.segment_id))
    )
    files.sync(leftover.path)


def _collect(core: Fixture, record: Record, rows: list[Emit]) -> ChunkPlan | None:
    plan = None
    for effect in core.handle(record):
        if isinstance(effect, Emit):
            if isinstance(effect.row, ChunkPlan):
                plan = effect.row
            elif effect.dataset not in NOT_STORED:
                rows.append(effect)
    return plan
