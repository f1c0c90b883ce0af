"""The daemon clears by itself what retention says, and joins what runs that have ended left in pieces."""

import asyncio
import sys
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
import pytest
from pandas.testing import assert_frame_equal
from tests.storage import test_joining_raw as joining
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS
from tests.storage.store import manifest
from tests.storage.test_tidying import two_nights
from tests.waiting import wait

from nightturn.daemon import old_files
from nightturn.daemon.old_files import clear_old
from nightturn.errors import StorageError
from nightturn.settings.retained import Retention
from nightturn.storage import joining_raw
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.child_sealer import ChildSealer
from nightturn.storage.files import RealFiles
from nightturn.storage.joining_raw import may_have_hours
from nightturn.storage.manifest import write_manifest
from nightturn.storage.verify import verify
from nightturn.world import World

DAY_NS = 86_400 * 1_000_000_000
TURNS = 100


class LaterClock:
    """A clock that stands still, some days after the night."""

    def __init__(self, days: int) -> None:
        self._now_ns = STARTED_NS + days * DAY_NS

    def monotonic_ns(self) -> int:
        return self._now_ns

    def utc_ns(self) -> int:
        return self._now_ns


def inline(job: Callable[[], None], /) -> Awaitable[None]:
    async def go() -> None:
        job()

    return go()


def segments_after(root: Path, days: int, *, recorded: bool = True) -> int:
    """How many segments are left; `recorded`: each day meanwhile something was."""
    night = two_nights(root)
    for day in range(1, days + 1) if recorded else ():
        name, started = f"202612{day:02d}T213000Z-7b21", STARTED_NS + day * DAY_NS
        more = msgspec.structs.replace(manifest(name), started_utc_ns=started, state="ended")
        write_manifest(night.files, more)
    world = World(LaterClock(days), RealFiles(root), inline)

    async def for_a_while() -> None:
        clearing = asyncio.create_task(clear_old(world, root, Retention(), ChildSealer(root, at_once=False)))
        for _ in range(TURNS):
            await asyncio.sleep(0)
        clearing.cancel()

    asyncio.run(for_a_while())
    assert len(Catalogue(root).segments()) == len(RealFiles(root).list(f"journal/{FIXTURE}/sealed"))
    return len(Catalogue(root).segments())


def test_sealed_tape_of_a_run_that_is_over_goes_after_its_days(tmp_path: Path) -> None:
    assert segments_after(tmp_path, days=8) == 1


def test_sealed_tape_within_its_days_stays(tmp_path: Path) -> None:
    assert segments_after(tmp_path, days=6) == 4


def test_a_daemon_that_starts_with_a_clock_ten_days_ahead_clears_nothing(tmp_path: Path) -> None:
    assert segments_after(tmp_path, days=10, recorded=False) == 4


def test_samples_of_a_run_that_has_ended_are_joined_by_the_hour_in_a_process_of_their_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = joining.made(tmp_path / "nights")
    before = joining.samples(root)
    ((run, chunks),) = may_have_hours(root)
    assert (run.fixture, run.run, run.over, chunks) == (FIXTURE, RUN, True, 4)
    monkeypatch.setattr(old_files, "JOIN_AFTER_S", 0.0)
    monkeypatch.setattr(joining_raw, "join_next_hour", refuse)  # not in this process
    world = World(LaterClock(0), RealFiles(root), inline)
    joiner = ChildSealer(root, at_once=False)

    async def for_a_while() -> None:
        clearing = asyncio.create_task(clear_old(world, root, Retention(), joiner))
        for _ in range(TURNS):
            await asyncio.sleep(0)
        clearing.cancel()

    asyncio.run(for_a_while())
    assert len(joining.raw_names(root)) == 1
    assert_frame_equal(joining.samples(root), before)
    assert verify(root, "all").ok
    assert may_have_hours(root) == []
    assert joiner._child is None  # it is there for a round only


def test_at_the_daemon_s_end_a_joining_is_broken_off_and_leaves_everything_whole(tmp_path: Path) -> None:
    root = joining.made(tmp_path / "nights")
    before, names = joining.samples(root), joining.raw_names(root)
    joiner = ChildSealer(root, command=(sys.executable, "-c", "import signal; signal.pause()"), at_once=False)
    with joiner, ThreadPoolExecutor(1) as pool:
        job = pool.submit(joiner.join, FIXTURE, RUN, STARTED_NS, "serve")
        wait(lambda: joiner._child is not None, lambda: "no child was begun")
        joiner.stop()
        with pytest.raises(StorageError, match="was closed"):
            job.result(30.0)
    assert joining.raw_names(root) == names
    assert_frame_equal(joining.samples(root), before)


def refuse(*_words: object) -> None:
    raise AssertionError("not here")
