"""The daemon ends in bounded time, also when the disk or the loop's own thread hangs.

A thread of its own takes the signals, because a write that never returns keeps the loop from them, and looks at the
bound, because nothing ends a thread that hangs in the kernel but the end of its process.
"""

import asyncio
import os
import signal
import threading
from collections.abc import Callable, Sequence
from types import FrameType, TracebackType
from typing import Self

import structlog

from nightturn.bench.station import Station
from nightturn.model.quantities import fixed, quantity
from nightturn.world import Clock

ENDS_S = 45.0
"""From the request to the end of the process; below the 90 s after which a service manager kills (systemd-system.conf(5))."""
SAY_S = 1.0  # the log may be on the disk that hangs
NOT_DURABLE = 4  # the exit code of storage
ASKING = frozenset({signal.SIGINT, signal.SIGTERM})

Handler = Callable[[int, FrameType | None], object] | int | signal.Handlers | None

log: structlog.stdlib.BoundLogger = structlog.get_logger()


def unkept_of(station: Station, clock: Clock) -> str:
    """What a station has recorded and is not known to be on the disk, as a sentence; empty when all is."""
    state = station.core.state
    count = state.record_no - station.durable_through
    if count <= 0 or state.run.opened is None:
        return ""
    age_s = (clock.monotonic_ns() - state.disk.durable_ns) / 1e9
    return f"{station.fixture}: {count} records of run {state.run.opened.run}, those of the last {fixed(age_s, 1)} s"


class Leaving:
    """From entering it to leaving it, signals ask for the end; once asked, the process has `ENDS_S` to leave it.

    Attributes:
        asked: set on the loop when somebody asks for the end.
    """

    def __init__(self, unkept: Callable[[], Sequence[str]]) -> None:
        """Nothing is watched before it is entered.

        Args:
            unkept: what is not known to be durable, a sentence each; called on another thread while the loop may hang.
        """
        self.asked: asyncio.Event = asyncio.Event()
        self._unkept = unkept
        self._loop = asyncio.get_running_loop()
        self._begun = threading.Event()
        self._done = threading.Event()
        self._before: dict[signal.Signals, Handler] = {}

    def __enter__(self) -> Self:
        """Take the signals: by a thread that reads what the handler of the interpreter writes, whichever thread it ran in."""
        reading, writing = os.pipe()
        os.set_blocking(writing, False)
        for number in ASKING:
            self._before[number] = signal.signal(number, lambda *_: None)
        signal.set_wakeup_fd(writing)
        threading.Thread(target=self._listen, args=(reading,), name="leaving", daemon=True).start()
        signal.pthread_sigmask(signal.SIG_BLOCK, ASKING)  # else this thread gets them, and it may hang
        threading.Thread(target=self._limit, name="leaving-limit", daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """The process may end by itself: nothing hangs."""
        self._done.set()
        self._begun.set()
        signal.set_wakeup_fd(-1)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ASKING)

    def ask(self) -> None:
        """End soon, for whatever reason; the bound begins with the first time."""
        self.begin()
        self.asked.set()

    def begin(self) -> None:
        """The end has begun: from here on there is a bound."""
        self._begun.set()

    def _listen(self, reading: int) -> None:
        while os.read(reading, 1)[0] in ASKING:
            self.begin()
            if self._done.is_set() or self._loop.is_closed():
                return
            self._loop.call_soon_threadsafe(self.ask)

    def _limit(self) -> None:
        self._begun.wait()
        if self._done.wait(ENDS_S):
            return
        saying = threading.Thread(target=self._say, daemon=True)
        saying.start()
        saying.join(SAY_S)
        os._exit(NOT_DURABLE)

    def _say(self) -> None:
        log.critical(
            "not_closed",
            why=f"the disk has not answered within {quantity(ENDS_S, 's')} of the end; the process ends without it",
            not_durable="; ".join(self._unkept()) or "nothing: every record is on the disk",
            next="check the disk; the next start goes on from what it holds",
        )
