"""Syncs of all stations come in rounds, and one that takes long holds up no other and is followed at once."""

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.simulation.scene import open_scene, run, settings_of
from tests.storage.crash_states import MemoryFiles
from tests.storage.scenario import FixedClock, plan_for

from nightturn.bench.rounds import EARLY_PART, Beat, next_round
from nightturn.bench.safekeeping import Finished, Safekeeping
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.model.device import Findings
from nightturn.model.facts import Failure, Synced
from nightturn.world import World, boundless


@given(now_s=st.floats(0, 1e7), period_s=st.sampled_from([0.1, 1.0, 3.0, 1200.0]))
def test_a_round_is_a_multiple_of_the_period_and_comes_within_one_of_them(
    now_s: float, period_s: float
) -> None:
    due = next_round(now_s, period_s)

    assert due / period_s == pytest.approx(round(due / period_s), abs=1e-6)
    assert now_s < due <= now_s + period_s * (1 + EARLY_PART) + 1e-6


def test_a_timer_that_fires_a_little_early_is_followed_by_the_next_round_and_not_by_the_same() -> None:
    assert next_round(4.999999, 1.0) == 6.0


def test_a_beat_that_a_late_loop_makes_in_another_way_is_not_made_twice_and_keeps_its_time() -> None:
    at_s: list[float] = []

    async def act() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        beat = Beat(loop, 0.1, lambda: at_s.append(round(loop.time(), 3)))
        await asyncio.sleep(0.15)
        loop._virtual.now_s += 0.1  # the loop is held up
        late = [beat.late]
        beat.made()
        late.append(beat.late)
        await asyncio.sleep(0.2)
        beat.cancel()
        assert [*late, beat.late] == [True, False, False]
        await asyncio.sleep(1.0)

    run(act)
    assert at_s == [0.1, 0.3, 0.4]


def test_stations_that_started_at_different_times_sync_at_the_same_ones(tmp_path: Path) -> None:
    at_s: dict[str, list[float]] = {"a": [], "b": [], "c": []}

    async def act() -> None:
        loop = asyncio.get_running_loop()

        def noting(name: str) -> int:
            at_s[name].append(loop.time())  # the room on the disk is asked for with each sync
            return boundless()

        scenes = []
        for name in at_s:
            settings = settings_of(id=f"pan-{name}1")
            scenes.append(
                open_scene(tmp_path / name, settings=settings, room=partial(noting, name), go=False)
            )
            await asyncio.sleep(0.37)
        await asyncio.sleep(5.0)
        for scene in scenes:
            await scene.station.close()

    run(act)
    assert [each[:5] for each in at_s.values()] == [pytest.approx([1.0, 2.0, 3.0, 4.0, 5.0], abs=0.001)] * 3


class Place:
    """An `Offload` whose jobs are done when the test says so."""

    def __init__(self) -> None:
        self.waiting: list[tuple[Callable[[], None], asyncio.Future[None]]] = []

    def __call__(self, job: Callable[[], None], /) -> Awaitable[None]:
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.waiting.append((job, future))
        return future

    async def do(self) -> None:
        job, future = self.waiting.pop(0)
        job()
        future.set_result(None)
        for _ in range(5):  # for whoever waits to go on
            await asyncio.sleep(0)


class OneRecord:
    """A journal as far as a sync goes."""

    def sync(self) -> Synced:
        return Synced(1, 1)


def keeping_of(syncs: Place, seals: Place, told: list[Synced | Failure]) -> Safekeeping:
    """What keeps a station's journal, with its places for slow work in a test's hands."""
    world = World(FixedClock(), MemoryFiles(), Place(), syncs=syncs, seals=seals)
    return Safekeeping("pan-a1", world, OneRecord(), told.append)  # type: ignore[arg-type]  # what is used of one


def test_a_sync_that_is_not_done_when_the_next_is_due_is_followed_by_one_at_once() -> None:
    async def act() -> None:
        syncs, told = Place(), list[Synced | Failure]()
        keeping = keeping_of(syncs, Place(), told)
        for _ in range(3):
            keeping.sync()
            await asyncio.sleep(0)
        assert len(syncs.waiting) == 1
        await syncs.do()
        assert (len(told), len(syncs.waiting)) == (1, 1)
        await syncs.do()
        assert (len(told), len(syncs.waiting)) == (2, 0)
        keeping.sync()
        await asyncio.sleep(0)
        await syncs.do()
        assert (len(told), len(syncs.waiting)) == (3, 0)
        await keeping.drained()

    asyncio.run(act())


def test_seals_that_take_for_ever_hold_up_no_sync() -> None:
    async def act() -> None:
        syncs, seals, told = Place(), Place(), list[Synced | Failure]()
        keeping = keeping_of(syncs, seals, told)
        plan = plan_for(1, 2, 0)
        for _ in range(3):
            keeping.seal(Finished("journal/pan-a1/x.ntj", plan, [], Findings(b""), None))
        keeping.sync()
        await asyncio.sleep(0)
        assert len(seals.waiting) == 3
        await syncs.do()
        assert told == [Synced(1, 1)]

    asyncio.run(act())
