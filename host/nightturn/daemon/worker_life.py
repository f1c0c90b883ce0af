"""One life of a worker process: its line, what it has said, and how it ended."""

import asyncio
import contextlib
import signal
from collections.abc import Callable

from nightturn.daemon.control_protocol import Answer, Request
from nightturn.daemon.picture import Picture
from nightturn.daemon.worker_line import WorkerLine
from nightturn.daemon.worker_messages import (
    BEAT_S,
    Alive,
    Answered,
    Asked,
    Beat,
    Closed,
    FixtureBeat,
    FixtureFailed,
    Item,
    Items,
)

UNANSWERED_MAX = 1000  # a person who presses a key for minutes
REAP_S_MAX = 5.0  # between the end of its line and the end of the process


class Life:
    """A process from its start to its end.

    Attributes:
        line: to it.
        beats: the newest of each fixture.
        speaks: it has said something, and is not gone.
        closed: its last word was that every run is closed.
        ended: set when the process and its children are gone.
        how: it ended, in words.
        rejected: a night that ended there was rejected.
        unanswered: what it was asked and has not answered, by number, however long whoever asked has waited.
    """

    def __init__(self, process: asyncio.subprocess.Process, take: Callable[[Item], None]) -> None:
        self.line = WorkerLine(self._took)
        self.beats: dict[str, FixtureBeat] = {}
        self.closed = self.rejected = False
        self.ended: asyncio.Event = asyncio.Event()
        self.how = ""
        self._process = process
        self._take = take
        self._loop = asyncio.get_running_loop()
        self._heard_s = self._loop.time()
        self._began = False
        self._news: asyncio.Event = asyncio.Event()
        self._failed: list[FixtureFailed] = []
        self._pictures: dict[str, Picture] = {}
        self._dropped = self._dropped_told = 0
        self.unanswered: dict[int, Request] = {}
        self._asked = 0
        self._answers: dict[int, asyncio.Future[Answer]] = {}
        self._beating = self._loop.create_task(self._beat_on())
        self._ending = self._loop.create_task(self._reaped())

    @property
    def speaks(self) -> bool:
        """Whether it can be asked."""
        return self._began and not self.line.lost.is_set()

    @property
    def unheard_s(self) -> float:
        """Since it last said something, or was started."""
        return self._loop.time() - self._heard_s

    def excuse(self) -> None:
        """Count its silence from now on."""
        self._heard_s = self._loop.time()

    async def ask(self, request: Request) -> Answer:
        """What it answers.

        Raises:
            ConnectionError: it is gone.
        """
        no = self.post(request)
        answer: asyncio.Future[Answer] = self._loop.create_future()
        self._answers[no] = answer
        try:
            return await answer
        finally:
            self._answers.pop(no, None)

    def post(self, request: Request) -> int:
        """Ask without waiting; the number of the answer."""
        self._asked += 1
        if len(self.unanswered) < UNANSWERED_MAX:
            self.unanswered[self._asked] = request
        self.line.send(Asked(self._asked, request, self._loop.time()))
        return self._asked

    async def news(self, limit_s: float) -> None:
        """Wait, bounded, until something has to be looked at."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._news.wait(), limit_s)
        self._news.clear()

    def kill(self) -> None:
        """End it, whatever it does; it is gone when `ended` says so."""
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()

    def take_unanswered(self) -> list[Request]:
        """What it was asked and will not answer any more."""
        found = list(self.unanswered.values())
        self.unanswered.clear()
        return found

    def take_failed(self) -> list[FixtureFailed]:
        """The fixtures that have failed since the last call."""
        found, self._failed = self._failed, []
        return found

    def take_pictures(self) -> dict[str, Picture]:
        """The pictures that have changed since the last call."""
        found, self._pictures = self._pictures, {}
        return found

    def take_dropped(self) -> int:
        """How many items were dropped since the last call."""
        found, self._dropped_told = self._dropped - self._dropped_told, self._dropped
        return found

    def _took(self, message: object) -> None:
        self._heard_s = self._loop.time()
        match message:
            case Items():
                for item in message.items:
                    self._take(item)
            case Beat():
                self._beat(message)
            case Answered():
                self.unanswered.pop(message.no, None)
                answer = self._answers.get(message.no)
                if answer is not None and not answer.done():
                    answer.set_result(message.answer)
            case FixtureFailed():
                self._failed.append(message)
                self._news.set()
            case Closed():
                self.closed, self.rejected = True, self.rejected or message.rejected
            case _:
                pass

    def _beat(self, beat: Beat) -> None:
        first, self._began = not self._began, True
        for each in beat.fixtures:
            self.beats[each.fixture] = each
            if each.picture is not None:
                self._pictures[each.fixture] = each.picture
        self._dropped = beat.dropped
        self.rejected = self.rejected or beat.rejected
        if first or self._pictures:
            self._news.set()

    async def _beat_on(self) -> None:
        """Say that this loop lives, also while the end is under way."""
        while not self.line.lost.is_set():
            if not self.line.full:
                self.line.send(Alive())
            await asyncio.sleep(BEAT_S)

    async def _reaped(self) -> None:
        """The line is lost when its last holder is gone: the process, or a child of it that still wrote."""
        await self.line.lost.wait()
        self._beating.cancel()
        for answer in self._answers.values():
            if not answer.done():
                answer.set_exception(ConnectionError("the worker is gone"))
        try:
            code = await asyncio.wait_for(self._process.wait(), REAP_S_MAX)
        except TimeoutError:
            self.kill()
            code = await self._process.wait()
        self.how = f"signal {-code} ({_name(-code)})" if code < 0 else f"exit code {code}"
        self.line.close()
        self.ended.set()
        self._news.set()


def _name(number: int) -> str:
    with contextlib.suppress(ValueError):
        return signal.Signals(number).name
    return "unknown"
