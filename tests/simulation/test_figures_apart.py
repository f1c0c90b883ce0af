"""Figures come back as facts: nothing of a cycle depends on when, every cycle is recorded exactly once, and a wrong fact is found."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
from tests.simulation.scene import CARD, FAST, PLAN, Scene, checked, open_scene, run
from tests.simulation.tapes import records_of, segments_of
from typing_extensions import override

from nightturn.bench.figuring import Figuring, OffloadFinisher
from nightturn.estimation.jobs import CycleJob, worked_out
from nightturn.fixture.core import Fixture
from nightturn.fixture.finishing import TOO_LATE
from nightturn.fixture.owners.finishing import TICKS_MAX
from nightturn.model import facts
from nightturn.model.facts import CycleFinished
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit, Host, Record
from nightturn.model.rows import CYCLES, FINISH, RUN_ENDED
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.replay.stored import stored_rows
from nightturn.replay.verdict import Options, replay_log
from nightturn.storage import tape
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import newest_run
from nightturn.storage.segment import decode_header, encode_header, unpack

TWO = msgspec.structs.replace(FAST, plan=msgspec.structs.replace(PLAN, cycles=2))
LIMIT_S = 200.0
Figures = Callable[[CycleJob], Awaitable[CycleFinished]]


def decoded(record: Record) -> msgspec.Struct | None:
    return facts.DECODERS[record.kind](record.body) if isinstance(record, Host) else None


def facts_of(records: list[Record]) -> list[CycleFinished]:
    """The facts about figures, in order."""
    return [fact for record in records if isinstance(fact := decoded(record), CycleFinished)]


def cycles_of(root: Path) -> list[CycleRecord]:
    """The cycles that the files under the data root have."""
    return stored_rows(root, FAST.id, newest_run(RealFiles(root), FAST.id), 0, 1 << 60).cycles


class Made(OffloadFinisher):
    """Courses as ever, and figures made by something else."""

    def __init__(self, scene: Scene, figures: Figures) -> None:
        super().__init__(scene.world)
        self._figures = figures

    @override
    async def figures(self, job: CycleJob) -> CycleFinished:
        return await self._figures(job)


def work_with(scene: Scene, figures: Figures) -> None:
    """Have this work out the figures of the station."""
    scene.station._figuring = Figuring(FAST.id, Made(scene, figures), scene.station._fact)


def played(root: Path, finisher: Figures | None = None) -> Scene:
    """A run of two cycles to the plan's end."""
    kept: list[Scene] = []

    async def act() -> None:
        scene = open_scene(root, settings=TWO)
        if finisher is not None:
            work_with(scene, finisher)
        kept.append(scene)
        await asyncio.wait_for(scene.station.ended.wait(), LIMIT_S)
        await scene.station.close()

    run(act)
    return kept[0]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of two cycles whose figures came at once."""
    root = tmp_path_factory.mktemp("whole")
    played(root)
    return root


def test_every_cycle_of_a_run_has_one_job_one_fact_and_one_row(whole: Path) -> None:
    came = facts_of(records_of(whole))
    rows = cycles_of(whole)
    assert [fact.cycle_no for fact in came] == [1, 2]
    assert [fact.sums_sha256 for fact in came] == [row.sums_sha256 for row in rows]
    assert [row.cycle_no for row in rows] == [1, 2]
    checked(whole)


def test_the_order_is_job_fact_row_and_the_run_ends_behind_the_last_row(whole: Path) -> None:
    core, seen = Fixture(), list[str]()
    for segment in segments_of(whole):
        core.restore(next(iter(segment.snapshots())).state)
        for _, record in segment.records():
            if isinstance(decoded(record), CycleFinished):
                seen.append("fact")
            seen += [each.dataset for each in core.handle(record) if isinstance(each, Emit)]
    order = [word for word in seen if word in {FINISH, "fact", CYCLES, RUN_ENDED}]
    assert order == [FINISH, "fact", CYCLES, FINISH, "fact", CYCLES, RUN_ENDED]


@pytest.mark.parametrize("seed", range(2))
def test_figures_that_come_up_to_a_second_later_are_the_same(whole: Path, tmp_path: Path, seed: int) -> None:
    chance = np.random.default_rng(seed)

    async def later(job: CycleJob) -> CycleFinished:
        await asyncio.sleep(float(chance.uniform(0.0, 1.0)))
        return worked_out(job)

    scene = played(tmp_path, later)
    assert scene.station.run_ended is not None
    now, was = cycles_of(tmp_path), cycles_of(whole)
    same = {"run", "ts_start", "ts_end", "record_first", "record_last"}  # a fact more or less on the tape
    for one, other in zip(now, was, strict=True):
        mine, theirs = (msgspec.structs.asdict(each) for each in (one, other))
        assert {name: mine[name] for name in mine if name not in same} == {
            name: theirs[name] for name in theirs if name not in same
        }
    assert replay_log(tmp_path, FAST.id, "latest", Options()).differences == ()


def test_a_cycle_whose_figures_cannot_be_worked_out_is_recorded_and_not_judged(tmp_path: Path) -> None:
    async def fails(job: CycleJob) -> CycleFinished:
        if job.sums.cycle_no == 1:
            raise ZeroDivisionError("nothing to divide by")
        return worked_out(job)

    scene = played(tmp_path, fails)
    one, two = cycles_of(tmp_path)
    assert (one.verdict, one.status) == (NOT_JUDGED, "incomplete")
    assert "ZeroDivisionError" in one.reasons[0]
    assert all(figure.value is None and figure.status == "refused" for figure in one.figures)
    assert two.figure("friction_nm").value is not None
    assert scene.count("figures_failed") == 1
    (line,) = replay_log(tmp_path, FAST.id, "latest", Options()).differences
    assert line.endswith("-> there are some")  # here they can be worked out


def test_figures_that_never_come_are_waited_for_so_many_ticks_and_the_run_ends(tmp_path: Path) -> None:
    async def never(job: CycleJob) -> CycleFinished:
        await asyncio.sleep(10 * TICKS_MAX if job.sums.cycle_no == 2 else 0)
        return worked_out(job)

    scene = played(tmp_path, never)
    assert scene.station.run_ended is not None
    assert [row.reasons[:1] for row in cycles_of(tmp_path)] == [(), (TOO_LATE,)]
    assert replay_log(tmp_path, FAST.id, "latest", Options()).differences == ()
    checked(tmp_path)


async def _until_asked(scene: Scene) -> None:
    await scene.until(lambda: scene.station.core.state.finishing.asked, LIMIT_S)


def _held(root: Path, leave: Callable[[Scene, asyncio.Event], Awaitable[None]]) -> None:
    """A run whose first figures wait for an event, left in some way meanwhile."""

    async def act() -> None:
        scene, may = open_scene(root, settings=TWO), asyncio.Event()

        async def waits(job: CycleJob) -> CycleFinished:
            await may.wait()
            return worked_out(job)

        work_with(scene, waits)
        await _until_asked(scene)
        await leave(scene, may)

    run(act)


def _gone_on(root: Path) -> None:
    """The next daemon's run, closed again at once."""

    async def act() -> None:
        scene = open_scene(root, settings=TWO, later_s=300.0)
        await asyncio.sleep(2.0)
        await scene.station.close()

    run(act)


def test_a_kill_between_job_and_fact_loses_no_cycle_and_counts_none_twice(tmp_path: Path) -> None:
    async def killed(scene: Scene, _may: asyncio.Event) -> None:
        scene.station._journal.close()

    _held(tmp_path, killed)
    _gone_on(tmp_path)
    assert facts_of(records_of(tmp_path)) == []
    assert [row.cycle_no for row in cycles_of(tmp_path)] == [1]
    assert replay_log(tmp_path, FAST.id, "latest", Options()).differences == ()
    checked(tmp_path)


def test_a_kill_behind_the_fact_loses_no_cycle_either(tmp_path: Path) -> None:
    async def killed(scene: Scene, may: asyncio.Event) -> None:
        may.set()
        await scene.until(lambda: not scene.station.core.state.finishing.waiting)
        scene.station._journal.close()

    _held(tmp_path, killed)
    _gone_on(tmp_path)
    assert len(facts_of(records_of(tmp_path))) == 1
    assert [row.cycle_no for row in cycles_of(tmp_path)] == [1]
    checked(tmp_path)


def test_a_close_waits_for_figures_and_their_row_is_in_the_last_chunk(tmp_path: Path) -> None:
    async def closed(scene: Scene, may: asyncio.Event) -> None:
        asyncio.get_running_loop().call_later(1.0, may.set)
        await scene.station.close()

    _held(tmp_path, closed)
    assert [row.cycle_no for row in cycles_of(tmp_path)] == [1]
    checked(tmp_path)


def test_a_stop_while_figures_are_awaited_ends_the_run_with_them(tmp_path: Path) -> None:
    async def stopped(scene: Scene, may: asyncio.Event) -> None:
        scene.station.command("stop", CARD.operator)
        await asyncio.sleep(20.0)
        assert not scene.station.ended.is_set()  # its verdict would not be the last
        may.set()
        await asyncio.wait_for(scene.station.ended.wait(), LIMIT_S)
        await scene.station.close()
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.night_verdict is not None
        assert scene.station.run_ended.night_verdict.cycles == len(cycles_of(tmp_path)) >= 1

    _held(tmp_path, stopped)
    checked(tmp_path)


def test_a_cut_while_figures_are_awaited_leaves_the_row_to_the_next_chunk(tmp_path: Path) -> None:
    async def cut(scene: Scene, may: asyncio.Event) -> None:
        scene.station._step([scene.station._cut_fact()])
        await asyncio.sleep(1.0)
        may.set()
        await scene.until(lambda: not scene.station.core.state.finishing.waiting)
        await scene.station.close()

    _held(tmp_path, cut)
    assert [row.cycle_no for row in cycles_of(tmp_path)] == [1]
    assert replay_log(tmp_path, FAST.id, "latest", Options()).differences == ()
    assert replay_log(tmp_path, FAST.id, "latest", Options(figures=True)).differences == ()
    checked(tmp_path)


def _planted(whole: Path, target: Path, change: Callable[[CycleFinished], CycleFinished]) -> Path:
    """The run's tape with its first fact changed, its checksums made for that."""
    (segment,) = [each for each in segments_of(whole) if facts_of([r for _, r in each.records()])]
    source = next(path for path in (whole / "journal").rglob("*.ntj"))
    plain = unpack(source.read_bytes())[0]
    header, _ = decode_header(plain)
    salt = tape.salt_of(header.segment_id)
    snapshot = next(iter(segment.snapshots()))
    records = list[Record]()
    for _, record in segment.records():
        fact = decoded(record)
        if isinstance(fact, CycleFinished) and fact.cycle_no == 1:
            records.append(facts.host(record.at_ns, facts.CYCLE_FINISHED, change(fact)))
        else:
            records.append(record)
    content = [
        encode_header(header),
        tape.encode_snapshot(snapshot.state, header.first_record_no - 1, snapshot.at_ns, salt),
        tape.encode_records(records, header.first_record_no, salt),
    ]
    path = target / "planted.ntj"
    path.write_bytes(b"".join(content))
    return path


def _other_value(fact: CycleFinished) -> CycleFinished:
    assert fact.record is not None
    figures = tuple(
        msgspec.structs.replace(each, value=each.value * (1 + 1e-8))
        if each.name == "friction_nm" and each.value is not None
        else each
        for each in fact.record.figures
    )
    return msgspec.structs.replace(fact, record=msgspec.structs.replace(fact.record, figures=figures))


def _other_sums(fact: CycleFinished) -> CycleFinished:
    return msgspec.structs.replace(fact, sums_sha256="0" * 64)


def _other_cycle(fact: CycleFinished) -> CycleFinished:
    return msgspec.structs.replace(fact, cycle_no=7)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_other_value, "friction_nm: value"),
        (_other_sums, "other sums than the samples give"),
        (_other_cycle, "effects differ"),
    ],
)
def test_a_planted_wrong_fact_is_a_difference(
    whole: Path, tmp_path: Path, change: Callable[[CycleFinished], CycleFinished], said: str
) -> None:
    as_it_was = replay_log(_planted(whole, tmp_path, lambda fact: fact), "", "latest", Options())
    assert as_it_was.identical, as_it_was.lines()
    outcome = replay_log(_planted(whole, tmp_path, change), "", "latest", Options())
    assert not outcome.identical
    assert any(said in line for line in outcome.differences), outcome.differences
