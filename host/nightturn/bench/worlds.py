"""The two worlds: the real one, and one in virtual time that starts at a given UTC."""

import asyncio
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from nightturn.bench.decoders import prepare
from nightturn.bench.early import import_early
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.storage.files import RealFiles
from nightturn.world import World

OFFLOAD_THREADS = 2
SYNC_THREADS = 8  # syncs of several files at once share the disk's writes of its own journal
SEAL_THREADS = 2  # one waits for the process that seals, the other for the disk


class RealClock:
    """The machine's own clocks."""

    def monotonic_ns(self) -> int:
        """CLOCK_BOOTTIME, which goes on while the host sleeps; CLOCK_MONOTONIC where there is none."""
        return time.clock_gettime_ns(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))

    def utc_ns(self) -> int:
        """The wall clock, UTC."""
        return time.time_ns()


class ThreadOffload:
    """Slow jobs of one kind on a small pool of threads."""

    def __init__(self, threads: int, name: str) -> None:
        prepare()
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix=name)

    def __call__(self, job: Callable[[], None], /) -> Awaitable[None]:
        """Run the job on a thread."""
        return asyncio.get_running_loop().run_in_executor(self._pool, job)

    def shutdown(self) -> None:
        """Wait for the jobs under way."""
        self._pool.shutdown(wait=True)


class VirtualClock:
    """The loop's virtual time, from a given UTC."""

    def __init__(self, loop: VirtualLoop, start_utc_ns: int) -> None:
        self._loop = loop
        self._start_utc_ns = start_utc_ns

    def monotonic_ns(self) -> int:
        """Virtual nanoseconds since the loop was made, never 0 so that a stamp is always true."""
        return round(self._loop.time() * 1e9) + 1_000_000_000

    def utc_ns(self) -> int:
        """Virtual UTC."""
        return self._start_utc_ns + self.monotonic_ns() - 1_000_000_000


class InlineOffload:
    """Slow jobs inline: virtual time stands still meanwhile."""

    def __call__(self, job: Callable[[], None], /) -> Awaitable[None]:
        """Run the job at the loop's next turn."""
        return asyncio.get_running_loop().run_in_executor(None, job)


def real_world(root: Path) -> World:
    """The real clocks, the files under `root`, and pools of threads."""
    import_early()
    files = RealFiles(root)
    return World(
        RealClock(),
        files,
        ThreadOffload(OFFLOAD_THREADS, "offload"),
        files.room,
        # One: how many threads the BLAS has is set for the whole process while a cycle is finished.
        figures=ThreadOffload(1, "figures"),
        syncs=ThreadOffload(SYNC_THREADS, "sync"),
        seals=ThreadOffload(SEAL_THREADS, "seal"),
        files_left=files.files_left,
    )


def shut_down(world: World) -> None:
    """Wait for the jobs under way on the threads of a real world."""
    for place in (world.offload, world.figures, world.syncs, world.seals):
        if isinstance(place, ThreadOffload):
            place.shutdown()


def virtual_world(root: Path, loop: VirtualLoop, start_utc_ns: int) -> World:
    """Virtual clocks, real files, jobs inline."""
    return World(VirtualClock(loop, start_utc_ns), RealFiles(root), InlineOffload())
