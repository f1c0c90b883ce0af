"""The daemon clears by itself what retention says."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import msgspec
from tests.storage.scenario import FIXTURE, STARTED_NS
from tests.storage.store import manifest
from tests.storage.test_tidying import two_nights

from nightturn.daemon.old_files import clear_old
from nightturn.settings.rig import Retention
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import write_manifest
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
        clearing = asyncio.create_task(clear_old(world, root, Retention()))
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
