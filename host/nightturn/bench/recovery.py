"""After a host restart: what the last daemon left unsealed is fed to a core again and sealed by the same function.

Where a run stands is known from unsealed tape only. So the next segment, with the core's state in it, is durable
before the last one is sealed, as in a live rotation; whatever fails or dies in between, the next start finds it.
"""

import dataclasses
from dataclasses import dataclass, field

import msgspec
import structlog

from nightturn.bench import unrestored
from nightturn.bench.ledger import put_right, with_end
from nightturn.bench.mending import mend
from nightturn.bench.runs import Beginning
from nightturn.errors import SchemaVersionError, StorageError
from nightturn.fixture import night, resuming, travel
from nightturn.fixture.core import Fixture
from nightturn.fixture.events import UNRECORDED
from nightturn.fixture.owners.motion import TravelPhase
from nightturn.fixture.owners.run import RunPhase
from nightturn.fixture.state import FixtureState
from nightturn.model import facts
from nightturn.model.facts import Travel
from nightturn.model.records import Emit, Host, Record
from nightturn.model.rows import NOT_STORED, ChunkPlan, EventRow, GapRow, RecoveredRow, RunEnded
from nightturn.motion.permission import OUTLIVES_A_RUN
from nightturn.settings.meaning import texts_of
from nightturn.storage import recovery, tape
from nightturn.storage.aside import set_aside
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import ENDED, newest_run, usable_manifest, write_manifest
from nightturn.storage.recovery import Damaged, Leftover
from nightturn.storage.salvage import EVENT as TAPE_FAILED
from nightturn.storage.salvage import stands_for_lost
from nightturn.storage.segment import Segment, read_segment
from nightturn.world import Files

log: structlog.stdlib.BoundLogger = structlog.get_logger()
DAMAGED = "records of the run's tape are damaged, so its travel is unknown"
OTHER_VERSION = "the run's tape {} is of another version and was set aside, so its travel is unknown"
SET_ASIDE = "the run's tape {} cannot be read and was set aside, so its travel is unknown"
GIVEN_UP = "the run was given up and another one begun"
TAPE_GAP = UNRECORDED[TAPE_FAILED]
NEWS_MAX = 1000
"""Events and gaps of one start, far below what waits for a broker."""
MEANING_CHANGED = "unknown: settings that give it its meaning were changed"


@dataclass(frozen=True, slots=True)
class Recovered:
    """What was found: segments sealed, bytes of torn tails, and where the tape goes on.

    `ended` is the end of a run that was ending when its daemon died; nobody has been told it. Nor has anybody been told
    `news`: the events and gaps of the records that recovery itself has put onto the tape, at most `NEWS_MAX`.
    """

    segments: int
    dropped_bytes: int
    beginning: Beginning
    ended: RunEnded | None = None
    news: tuple[RecoveredRow, ...] = ()


@dataclass(slots=True)
class _Done:
    """What was sealed so far, and the news of it."""

    segments: int = 0
    news: list[RecoveredRow] = field(default_factory=list)

    def news_kept(self, fixture: str) -> tuple[RecoveredRow, ...]:
        """The first of them; that there were more is for the log, and they are stored."""
        if len(self.news) > NEWS_MAX:
            log.warning("recovered_events_not_told", fixture=fixture, left_out=len(self.news) - NEWS_MAX)
        return tuple(self.news[:NEWS_MAX])


@dataclass(slots=True, eq=False)
class _Fed:
    """A segment that a core has been fed with: the plans of its cuts, the rows to seal, and those that are news."""

    path: str
    segment: Segment
    core: Fixture
    at_ns: int
    plans: list[ChunkPlan] = field(default_factory=list)
    rows: list[Emit] = field(default_factory=list)
    news: list[RecoveredRow] = field(default_factory=list)
    lost: bool = False

    def take(self, record: Record) -> None:
        """One record more."""
        self.at_ns = record.at_ns
        effects = self.core.handle(record)
        self.lost = self.lost or stands_for_lost(record)
        own = _of_recovery(record, self.core.state)
        for effect in effects:
            if isinstance(effect, Emit):
                if isinstance(effect.row, ChunkPlan):
                    self.plans.append(effect.row)
                elif effect.dataset not in NOT_STORED:
                    self.rows.append(effect)
                if isinstance(effect.row, EventRow | GapRow) and (own or self._misses(effect.row)):
                    self.news.append(RecoveredRow(self.segment.header.run, effect.row))

    def _misses(self, row: EventRow | GapRow) -> bool:
        """Whether it is the gap that lost records leave, which shows at the records behind them."""
        return self.lost and isinstance(row, GapRow) and row.cause == TAPE_GAP

    @property
    def says_only_where(self) -> bool:
        """Whether it holds no record and its state needs no cut: it is there to say where the run goes on."""
        state, segment = self.core.state, self.segment
        bare = segment.last_record_no < segment.first_record_no and not self.plans
        bare = bare and not state.finishing.waiting
        return bare and state.epoch.timebase is None and state.run.phase is RunPhase.OPEN


def recover(files: Files, journal: Journal, fixture: str) -> Recovered:
    """Put a fixture's folders in order and seal what is left to seal; nothing is deleted, repeating it is harmless.

    Afterwards the run that goes on has a segment without records, whose snapshot says where.

    Raises:
        StorageError: something cannot be read, written or moved.
    """
    found, done = recovery.recover(files, fixture), _Done()
    newest, why_lost = _feed_all(files, journal, found, done)
    beginning = Beginning(first_record_no=found.next_record_no)
    if newest is None:
        bare = bool(found.leftovers) and not why_lost
        core, lost = unrestored.find(files, fixture, found.next_record_no, nothing_unsealed=bare)
        if core is not None:
            if why_lost:
                unrestored.lock(core.state, why_lost)
            newest = _begin_next(files, journal, core, found.next_record_no)
        elif (
            lost
        ):  # whatever run there was cannot be named; the next one must not take its travel for granted
            beginning = dataclasses.replace(beginning, travel_unknown=True, lost=lost)
    ended: FixtureState | None = None
    ended_here: RunEnded | None = None
    while newest is not None:
        first = newest.segment.first_record_no
        if newest.says_only_where and first >= found.next_record_no:
            beginning = goes_on(newest.core.state, first, newest.path)
            break
        ends = _open(newest.core.state)
        _end(files, newest)
        ended_here = newest.core.state.run.row if ends else ended_here
        beginning = Beginning(first_record_no=max(found.next_record_no, newest.core.state.record_no + 1))
        upcoming = None
        if _open(newest.core.state):
            upcoming = _begin_next(files, journal, newest.core, beginning.first_record_no)
        _seal(files, journal, newest, done)
        ended, newest = newest.core.state, upcoming
    if not beginning.run:
        beginning = _after_ended(files, fixture, beginning, ended)
    dropped = sum(leftover.segment.dropped_bytes for leftover in found.leftovers)
    return Recovered(done.segments, dropped, beginning, ended_here, done.news_kept(fixture))


def _after_ended(files: Files, fixture: str, beginning: Beginning, ended: FixtureState | None) -> Beginning:
    """A run takes over travel and unanswered locks of the one before; after one which a setting ended it says so, and takes nothing for granted.

    The card of the run before is used up, unless a setting ended it: nobody has seen that run end, and the next one is locked.

    `ended` is the run that the tape has just been read of; else an earlier start has sealed it, and its manifest knows.
    """
    if ended is not None and ended.run.row is not None:
        run, by, reason = ended.run.row.run, ended.run.row.by, ended.run.row.reason
        before: Travel | None = travel.travel_of(ended)
        locks = resuming.unanswered(ended)
        card = ended.run.opened.card if ended.run.opened is not None else ""
    else:
        run = newest_run(files, fixture)
        manifest = usable_manifest(files, fixture, run) if run else None
        if manifest is None or manifest.state != ENDED:
            return beginning
        by, reason = manifest.ended_by, manifest.reason
        before, locks = manifest.travel, manifest.locks
        card = before.card if before is not None and before.card else manifest.card
    beginning = dataclasses.replace(beginning, before=before, locks=locks)
    if by != facts.BY_SETTINGS:
        return dataclasses.replace(beginning, used_card=card)
    return dataclasses.replace(
        beginning, travel_unknown=True, travel_why=MEANING_CHANGED, changed=f"run {run} ended: {reason}"
    )


def _feed_all(
    files: Files, journal: Journal, found: recovery.Recovery, done: _Done
) -> tuple[_Fed | None, str]:
    """Feed every segment, sealing each as soon as the next has a state of its own.

    Returns the last one, and why what came behind the last one is lost; empty when nothing is.
    """
    foreign = OTHER_VERSION.format(_name(found.foreign[-1])) if found.foreign else ""
    newest, lost = None, foreign
    for path in found.foreign:
        log.error("segment_set_aside", path=path, why="it was written by another version")
    left: list[Leftover | Damaged] = [*found.leftovers, *found.damaged]
    for each in sorted(left, key=_in_order):
        last_of_all = _in_order(each)[1] + 1 == found.next_record_no
        fed = _feed_mended(files, each, newest.core if newest is not None else None, last=last_of_all)
        if isinstance(fed, str):
            first, last = _in_order(each)
            lost = fed if last >= first else lost
            continue
        if newest is not None:
            _end(files, newest)
            _seal(files, journal, newest, done)
        newest, lost = fed, foreign
    if newest is not None and lost:
        unrestored.lock(newest.core.state, lost)
        night.lost(newest.core.state)
    return newest, lost


def _feed_mended(files: Files, each: Leftover | Damaged, before: Fixture | None, *, last: bool) -> _Fed | str:
    """As `_feed`; a damaged segment is mended first."""
    leftover = mend(files, each, before, last=last) if isinstance(each, Damaged) else each
    return _feed(files, leftover) if leftover is not None else SET_ASIDE.format(_name(each.path))


def start_anew(files: Files, fixture: str, recovered: Recovered, utc_ns: int) -> Beginning:
    """For a run of its own, whatever was left: the run that would have gone on is given up, and its manifest says so.

    Raises:
        OSError: the segment that says where it stands cannot be removed.
        StorageError: the manifest cannot be written.
    """
    left = recovered.beginning
    manifest = usable_manifest(files, fixture, left.run) if left.run else None
    if manifest is not None and manifest.state != ENDED:
        known = left.travel_zero is not None and not left.travel_unknown
        unknown = "" if known else left.travel_why or f"unknown: {GIVEN_UP}"
        ended = RunEnded(utc_ns, left.run, GIVEN_UP, "command", manifest.night_verdict)
        stands = Travel(left.travel_zero, unknown, left.seen, left.recorded.card)
        locks = tuple(lock for lock in left.locks if lock.cause in OUTLIVES_A_RUN)
        write_manifest(files, with_end(manifest, ended, stands, locks))
    if left.segment:
        files.remove(left.segment)
    return Beginning(first_record_no=recovered.beginning.first_record_no)


def goes_on(state: FixtureState, first_record_no: int, segment: str = "") -> Beginning:
    """Where the run of a recovered core goes on, its epoch being over: next chunk, next cycle, and in which segment."""
    opened = state.run.opened
    assert opened is not None
    planner = state.motion.planner
    estimator = state.measure.estimator if state.measure is not None else None
    return Beginning(
        first_record_no=first_record_no,
        epoch=state.epoch.no,
        chunk_no=state.chunk.no,
        run=opened.run,
        started_utc_ns=opened.started_utc_ns,
        previous_ts_ns=state.epoch.previous_ts,
        travel_zero=planner.travel_zero,
        cycle_no=estimator.assembly.cycle_no if estimator is not None else opened.cycle_no,
        cycles_done=planner.cycles_done,
        travel_unknown=state.motion.travel is TravelPhase.UNKNOWN,
        shunt_first=state.shunt.first,
        lost=opened.lost if state.motion.travel is TravelPhase.UNKNOWN else "",
        boot_id=(state.device.link.boot_id if state.device.link is not None else 0) or opened.boot_id,
        left=resuming.left_of(state),
        stream=resuming.stream_of(state),
        locks=resuming.locks_of(state),
        segment=segment,
        recorded=texts_of(opened),
        utc_offset_ns=opened.utc_offset_ns,
        guard_seen_open=state.motion.permission.guard_seen_open,
        seen=travel.seen_now(state),
        travel_why=state.motion.travel_why,
        night=state.run.night.packed,
        trends=state.run.trends.packed,
        routine=state.motion.routine.left,
        beyond=state.run.beyond_left,
    )


def _feed(files: Files, leftover: Leftover) -> _Fed | str:
    """A core brought from the segment's snapshot to its last record; else why nothing can be made of it, which loses the travel."""
    segment, path = leftover.segment, leftover.path
    snapshot = next(iter(segment.snapshots()), None)
    if snapshot is None:
        _set_aside(files, path, "it has no snapshot, so nothing can be derived from it")
        return SET_ASIDE.format(_name(path))
    fed = _Fed(path, segment, Fixture(), snapshot.at_ns)
    try:
        fed.core.restore(snapshot.state)
        for _, record in segment.records():
            fed.take(record)
    except (SchemaVersionError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        _set_aside(files, path, f"it was written by another version: {error}")
        return OTHER_VERSION.format(_name(path))
    if fed.core.state.run.opened is None:
        _set_aside(files, path, "no run was opened in it")
        return SET_ASIDE.format(_name(path))
    if fed.lost:  # what the lost records did to the shaft is not known
        unrestored.lock(fed.core.state, DAMAGED)
    return fed


def _begin_next(files: Files, journal: Journal, core: Fixture, first_record_no: int) -> _Fed:
    """The next segment, durable, with the core's state; its records are still to come."""
    state = core.state
    assert state.run.opened is not None
    state.next_record(first_record_no)
    state.chunk.begin_with(first_record_no)
    path = journal.open(first_record_no, state.run.opened.run, state.epoch.no, core.snapshot())
    journal.close()
    segment = read_segment(files.read(path), path)
    return _Fed(path, segment, core, next(segment.snapshots()).at_ns)


def _end(files: Files, fed: _Fed) -> None:
    """A forced cut ends the segment and the epoch, after its torn tail is cut off, unless it ends with a cut of its own."""
    state, segment = fed.core.state, fed.segment
    if fed.says_only_where or (fed.plans and fed.plans[-1].last == state.record_no):
        return
    cut = facts.host(fed.at_ns, facts.CUT, facts.Cut(fed.core.effects_crc, state.effects, forced=True))
    content = tape.encode_records([cut], state.record_no + 1, tape.salt_of(segment.header.segment_id))
    if segment.dropped_bytes:
        files.truncate(fed.path, segment.good_bytes)
    files.append(fed.path, content)
    files.sync(fed.path)
    fed.take(cut)


def _seal(files: Files, journal: Journal, fed: _Fed, done: _Done) -> None:
    """The manifest first, then the seal.

    Whatever says where the run goes on is durable by now, so a segment that says nothing else has served.
    """
    if fed.says_only_where:
        files.remove(fed.path)
        return
    put_right(files, journal.fixture, fed.core.state, fed.plans[-1])
    try:
        journal.seal(fed.path, fed.plans[-1], fed.rows, fed.plans[:-1])
    except StorageError as error:  # the tape keeps it; the fixture goes on
        _complain(fed.path, error)
        return  # the next start has the same news
    done.segments += 1
    done.news += fed.news


def _open(state: FixtureState) -> bool:
    """Whether the run is under way, or has ended and waits for the last figures before it says so."""
    return state.run.under_way or (state.run.phase is RunPhase.ENDED and not state.told.end)


def _of_recovery(record: Record, after: FixtureState) -> bool:
    """Whether a start has put this record onto the tape, so that no sink has heard of what came of it.

    Such are the cut that ends a run's last segment, what stands for lost records, and settings under which a run cannot go on.
    """
    if not isinstance(record, Host):
        return False
    if record.kind == facts.CUT:
        return msgspec.msgpack.decode(record.body, type=facts.Cut).forced
    if record.kind == facts.SETTING:
        return not after.run.under_way
    return stands_for_lost(record)


def _in_order(each: Leftover | Damaged) -> tuple[int, int]:
    """By number; a segment without records comes before one that has them."""
    if isinstance(each, Damaged):
        return each.found.first_record_no, each.found.last_used
    return each.segment.first_record_no, each.segment.last_record_no


def _name(path: str) -> str:
    """A file's own name, for people."""
    return path.rpartition("/")[2]


def _complain(path: str, error: StorageError) -> None:
    log.error("segment_not_sealed", path=path, why=str(error))


def _set_aside(files: Files, path: str, why: str) -> None:
    """Nothing can be made of the segment; it keeps its bytes under another name."""
    kept = set_aside(files, path)
    log.error("segment_set_aside", path=path, kept=kept, why=why)
