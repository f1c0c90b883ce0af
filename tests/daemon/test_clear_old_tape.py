"""The daemon clears old tape by itself."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

from tests.storage.scenario import FIXTURE, STARTED_NS
from tests.storage.store import full_night

from nightturn.daemon.serve import clear_old_tape
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
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


def segments_after(root: Path, days: int) -> int:
    full_night(root)
    world = World(LaterClock(days), RealFiles(root), inline)

    async def for_a_while() -> None:
        clearing = asyncio.create_task(clear_old_tape(world, root))
        for _ in range(TURNS):
            await asyncio.sleep(0)
        clearing.cancel()

    asyncio.run(for_a_while())
    assert len(Catalogue(root).segments()) == len(RealFiles(root).list(f"journal/{FIXTURE}/sealed"))
    return len(Catalogue(root).segments())


def test_sealed_tape_goes_after_its_days_but_for_the_newest_segment(tmp_path: Path) -> None:
    assert segments_after(tmp_path, days=8) == 1


def test_sealed_tape_within_its_days_stays(tmp_path: Path) -> None:
    assert segments_after(tmp_path, days=6) == 3
