"""A process that runs some of the daemon's fixtures: `python -m nightturn.daemon.worker SOCKET LOCK VERSION`.

It takes its order and everything after it from a socket that it has inherited, and gives rows, lines of the log and answers back
over it. What is one per host stays with the first process. It ends when it is told to, or when that process is gone: every
run is closed then, as at the end of the daemon.
"""

import asyncio
import contextlib
import os
import signal
import socket
import sys
import threading
from collections.abc import Sequence
from contextlib import ExitStack

import structlog

from nightturn.bench.figuring import ChildFinisher
from nightturn.bench.locks import PortLocks
from nightturn.bench.logging import hand_logs_on
from nightturn.bench.telling import SERVE, Sink
from nightturn.bench.worlds import real_world, shut_down
from nightturn.daemon.control import NOT_NOW, Control
from nightturn.daemon.control_protocol import PAUSE, STOP, refused
from nightturn.daemon.control_socket import carried_out
from nightturn.daemon.leaving import ENDS_S, NOT_DURABLE
from nightturn.daemon.outbound import Outbound
from nightturn.daemon.picture import Picture
from nightturn.daemon.spoken import Spoken
from nightturn.daemon.watch import FixtureWatch, Shared, fixture_failed
from nightturn.daemon.worker_line import WorkerLine
from nightturn.daemon.worker_messages import (
    ANSWER_S_MAX,
    BEAT_S,
    SILENT_S,
    STALL_S,
    Answered,
    Asked,
    Beat,
    Closed,
    End,
    FixtureBeat,
    FixtureFailed,
    Items,
    Order,
)
from nightturn.storage.child_sealer import ChildSealer
from nightturn.storage.without_pandas import do_without_pandas
from nightturn.version import VERSION

COMMAND = "nightturn serve"
ITEMS_A_MESSAGE = 64
ENDS_EARLIER_S = 8.0
"""A worker whose disk hangs ends so much before the whole daemon has to, which can then say so."""
GOODBYE_S = 5.0  # for what was put on the line to leave it
TOO_LATE = "it came so late that nobody waits for it any more; nothing was changed"
BY = "the daemon, whose first process does not answer"

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Worker:
    """The fixtures of one process, from its order to its end."""

    def __init__(self) -> None:
        """Nothing is done before the order is there. For the loop it runs on."""
        self._loop = asyncio.get_running_loop()
        self.line = WorkerLine(self._took, self._flush)
        self._order: Order | None = None
        self._ordered: asyncio.Event = asyncio.Event()
        self._outbound: Outbound | None = None
        self._watches: dict[str, FixtureWatch] = {}
        self._control: Control | None = None
        self._ready: asyncio.Event = asyncio.Event()
        self._answering: set[asyncio.Task[None]] = set()
        self._ends: asyncio.Event = asyncio.Event()
        self._heard_s = self._loop.time()
        self._silence_met = False
        self._flushes = False
        self._pictures: dict[str, Picture] = {}

    async def ordered(self) -> Order | None:
        """What it is to do; None when nobody is left who could say so."""
        await self._first_of(self._ordered, self.line.lost)
        return self._order

    async def work(self, order: Order, lock: int, held: int) -> None:
        """Run the fixtures of the order until the end is asked for, then close every run.

        Args:
            order: what to do.
            lock: the open file of the root's lock.
            held: the worker's end of the line; the first process waits until no process has it any more.
        """
        self._outbound = outbound = Outbound(self._flush_soon, rows=order.publishes)
        hand_logs_on(outbound.line)
        world = real_world(order.root)
        with ExitStack() as closing:
            sealer = closing.enter_context(ChildSealer(order.root, lock, beside=held))
            finisher = closing.enter_context(ChildFinisher(world))
            spoken = Spoken(order.names)
            locks = PortLocks(COMMAND, order.owner)
            sinks: list[Sink] = [spoken, outbound]
            shared = Shared(
                order.part,
                order.bench,
                order.root,
                world,
                sinks,
                spoken,
                locks,
                sealer,
                finisher,
                outbound.announce,
                order.rig_fixtures,
            )
            self._watches = {
                settings.id: FixtureWatch(settings, place, shared) for settings, place in order.fixtures
            }
            self._control = Control(self._watches, order.root, world)
            self._ready.set()
            tasks = [asyncio.create_task(self._run(watch)) for watch in self._watches.values()]
            beating = asyncio.create_task(self._beat(spoken))
            await self._first_of(self._ends, self.line.lost)
            _limit_the_end()
            for task in (*tasks, *self._answering):
                task.cancel()
            await asyncio.gather(*tasks, *self._answering, return_exceptions=True)
            await asyncio.gather(*(watch.close() for watch in self._watches.values()))
            beating.cancel()
            shut_down(world)
        await self._leave()

    async def _run(self, watch: FixtureWatch) -> None:
        try:
            await watch.run()
        except Exception as error:  # noqa: BLE001 - said there, and raised when all of them have ended
            fixture_failed(error)
            self.line.send(FixtureFailed(watch.settings.id, type(error).__name__, str(error)))

    @staticmethod
    async def _first_of(*events: asyncio.Event) -> None:
        waiting = [asyncio.create_task(event.wait()) for event in events]
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        for task in waiting:
            task.cancel()

    async def _leave(self) -> None:
        """Everything that was said, then the last word."""
        assert self._outbound is not None
        self._flush()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(GOODBYE_S):
                while items := self._outbound.take(ITEMS_A_MESSAGE):
                    self.line.send(Items(items))
                self.line.send(Closed(self._rejected))
                self.line.close()
                await self.line.lost.wait()

    @property
    def _rejected(self) -> bool:
        return any(watch.rejected for watch in self._watches.values())

    # what comes

    def _took(self, message: object) -> None:
        self._heard_s = self._loop.time()
        self._silence_met = False
        if isinstance(message, Order):
            self._order = message
            self._ordered.set()
        elif isinstance(message, End):
            self._ends.set()
        elif isinstance(message, Asked):
            task = self._loop.create_task(self._answer(message))
            self._answering.add(task)
            task.add_done_callback(self._answering.discard)

    async def _answer(self, asked: Asked) -> None:
        await self._ready.wait()  # a command may come with the order
        assert self._control is not None
        if asked.request.command not in {STOP, PAUSE} and self._loop.time() - asked.at_s > ANSWER_S_MAX:
            self.line.send(Answered(asked.no, refused(asked.request.id, TOO_LATE)))
            return
        self.line.send(Answered(asked.no, await carried_out(self._control, asked.request)))

    # what goes

    def _flush_soon(self) -> None:
        """From any thread."""
        if not self._flushes:
            self._flushes = True
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody takes it any more
                self._loop.call_soon_threadsafe(self._flush)

    def _flush(self) -> None:
        self._flushes = False
        while self._outbound is not None and not self.line.full:
            items = self._outbound.take(ITEMS_A_MESSAGE)
            if not items:
                return
            self.line.send(Items(items))

    async def _beat(self, spoken: Spoken) -> None:
        """Say that the loop lives, and look whether the first process does."""
        looked_s = self._loop.time()
        while True:
            if not self.line.full:
                self.line.send(self._one_beat(spoken))
            if self._loop.time() - looked_s > BEAT_S + STALL_S:
                self._heard_s = self._loop.time()
            looked_s = self._loop.time()
            ends = self._ends.is_set() or self.line.lost.is_set()
            if self._loop.time() - self._heard_s > SILENT_S and not self._silence_met and not ends:
                self._silence_met = True
                self._pause_all()
            await asyncio.sleep(BEAT_S)

    def _one_beat(self, spoken: Spoken) -> Beat:
        assert self._outbound is not None
        beats = []
        for name, watch in self._watches.items():
            signs, picture = watch.signs, spoken.pictures[name]
            news = picture if self._pictures.get(name) is not picture else None
            self._pictures[name] = picture
            beats.append(FixtureBeat(name, signs.settled, watch.proof, news, watch.unkept))
        return Beat(tuple(beats), self._outbound.dropped, self._rejected)

    def _pause_all(self) -> None:
        """Nobody could stop a shaft by a command now, so none turns: as a person's `pause`, so that only a `go` ends it."""
        log.error(
            "first_process_silent",
            why="the daemon's first process does not answer, so no command would reach a fixture; what turned is paused",
            next="`nightturn go` when it answers again",
        )
        for watch in self._watches.values():
            station = watch.station
            if station is not None and station.run_ended is None and may_move(watch):
                station.command("pause", BY)


def may_move(watch: FixtureWatch) -> bool:
    """Whether the shaft of a fixture turns, or will without another word of a person."""
    station = watch.station
    return station is not None and station.core.state.motion.permission.state in NOT_NOW


def _limit_the_end() -> None:
    """The disk may hang: then the end of the process is all there is left."""
    limit = threading.Timer(ENDS_S - ENDS_EARLIER_S, os._exit, (NOT_DURABLE,))
    limit.daemon = True
    limit.start()


async def serve_on(line: socket.socket, lock: int) -> None:
    """Take the order from the line, and carry it out."""
    held = line.fileno()
    worker = Worker()
    await worker.line.open(line)
    order = await worker.ordered()
    if order is not None:
        await worker.work(order, lock, held)


def main(arguments: Sequence[str]) -> None:
    """Take the words of the command line and work."""
    for number in (
        signal.SIGINT,
        signal.SIGTERM,
    ):  # sent to all processes of a service; the first one says when it is over
        signal.signal(number, signal.SIG_IGN)
    if arguments[2] != VERSION:  # installed anew under a daemon that runs
        sys.exit(f"a worker of version {VERSION} for a daemon of version {arguments[2]}; {SERVE}")
    do_without_pandas()
    asyncio.run(serve_on(socket.socket(fileno=int(arguments[0])), int(arguments[1])))


if __name__ == "__main__":
    main(sys.argv[1:])
