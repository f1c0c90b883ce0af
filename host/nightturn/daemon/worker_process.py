"""One worker of the daemon as the first process sees it: started, asked, listened to, and started again when it dies."""

import asyncio
import contextlib
import os
import socket
import sys
from collections import deque
from collections.abc import Callable

import structlog

from nightturn.bench.telling import SERVE
from nightturn.daemon.control_protocol import PAUSE, STATUS, STOP, VERSION, Answer, Request, refused
from nightturn.daemon.control_socket import UnansweredError
from nightturn.daemon.leaving import ENDS_S
from nightturn.daemon.picture import Picture
from nightturn.daemon.service_manager import Signs
from nightturn.daemon.worker_life import Life
from nightturn.daemon.worker_messages import (
    ANSWER_S_MAX,
    BEAT_S,
    STALL_S,
    End,
    FixtureFailed,
    Item,
    Order,
)
from nightturn.errors import (
    CalibrationError,
    ConfigError,
    DeviceError,
    NightturnError,
    StorageError,
    TelemetryError,
)
from nightturn.model.quantities import fixed
from nightturn.model.rows import FAILED, STARTING, StandingRow
from nightturn.version import VERSION as RELEASE

COMMAND = (sys.executable, "-P", "-m", "nightturn.daemon.worker")
OURS = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "NIGHTTURN_MQTT_PASSWORD")
"""Of the environment what only the first process may answer for or know."""
BEGINS_S_MAX = 60.0  # from the start of a process to its first beat; a slow disk has much to load
HEARD_S_MAX = 15.0  # as `bench.proof` waits for a frame: a loop that says nothing for so long is gone
UNHEARD_S = 5.0  # from here on its fixtures count as not proven to live
AGAIN_S = 1.0
STARTS_MAX = 5
STARTS_WITHIN_S = 3600.0
"""A worker that dies more often than `STARTS_MAX` times in it is left dead."""
KILLED_S_MAX = 1.0  # from a kill to the end of the process
CLOSES_S_MAX = ENDS_S - 3.0  # before the daemon itself has to end
LEASE = "its device stops by its lease"
KINDS: dict[str, type[NightturnError]] = {
    kind.__name__: kind for kind in (ConfigError, CalibrationError, DeviceError, StorageError, TelemetryError)
}

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class WorkerProcess:
    """A worker through all its lives.

    Attributes:
        order: its fixtures, and what else it is told.
        rejected: a night that ended there was rejected.
        begun: set when it has said something for the first time, or never will.
        trouble: what kept its runs from being closed.
    """

    def __init__(
        self,
        order: Order,
        lock: int,
        pictures: dict[str, Picture],
        take: Callable[[Item], None],
        gone: Callable[[str, StandingRow], None],
        utc_ns: Callable[[], int],
    ) -> None:
        """Nothing is started before `run`.

        Args:
            order: what it is to do.
            lock: the open file of the root's lock.
            pictures: of all fixtures of the daemon; it keeps those of its own up to date.
            take: a row, a line or an info of it.
            gone: told of each fixture when its process is gone what stands then.
            utc_ns: the clock that people read.
        """
        self.order = order
        self.rejected = False
        self.begun: asyncio.Event = asyncio.Event()
        self.trouble: NightturnError | None = None
        self._lock = lock
        self._pictures = pictures
        self._take = take
        self._gone = gone
        self._utc_ns = utc_ns
        self._loop = asyncio.get_running_loop()
        self._life: Life | None = None
        self._starts: deque[float] = deque(maxlen=STARTS_MAX)
        self._hidden: dict[str, Picture] = {}
        self._first: dict[str, Request] = {}
        self._why = "it is being started"
        self._given_up = False

    async def run(self) -> None:
        """Keep it alive until cancelled.

        Raises:
            NightturnError: all its fixtures have failed, or it has died too often.
        """
        while True:
            self._starts.append(self._loop.time())
            try:
                life = await self._started()
                await self._watched(life)
                how = life.how
            except OSError as error:
                how = f"it cannot be started: {error.strerror or error}"
            finally:
                self.begun.set()
            for request in self._life.take_unanswered() if self._life is not None else ():
                self._keep(request)
            self._met_its_end(how)
            if self._given_up:
                for request in self._first.values():
                    _not_carried_out(request)
                raise DeviceError(f"{self._names}: {self._why}, {STARTS_MAX} times within an hour")
            await asyncio.sleep(AGAIN_S)

    async def ask(self, request: Request) -> Answer:
        """What the worker answers, or what is said for one that is not there.

        Raises:
            UnansweredError: it is there, and does not answer in time.
        """
        life = self._life
        if life is None or not life.speaks:
            return self._for_the_absent(request)
        try:
            async with asyncio.timeout(ANSWER_S_MAX):
                return await life.ask(request)
        except TimeoutError as error:
            raise UnansweredError from error
        except ConnectionError:
            return self._for_the_absent(request)

    async def close(self) -> None:
        """Have every run of it closed, and wait, bounded, until its process is gone."""
        life = self._life
        if life is None or life.ended.is_set():
            return
        life.line.send(End())
        try:
            async with asyncio.timeout(CLOSES_S_MAX):
                await life.ended.wait()
        except TimeoutError:
            await self._ended_by_force(life)
        self._heard(life)
        if not life.closed:
            self._not_closed(life)

    async def _ended_by_force(self, life: Life) -> None:
        life.kill()
        with contextlib.suppress(TimeoutError):  # what hangs in the kernel does not end by that either
            async with asyncio.timeout(KILLED_S_MAX):
                await life.ended.wait()

    @property
    def signs(self) -> list[Signs]:
        """What the service manager is told of its fixtures."""
        life = self._life
        unheard_s = (
            life.unheard_s if life is not None and life.speaks else 0.0
        )  # one that starts has its own limit
        found = []
        for name in self.order.names:
            beat = life.beats.get(name) if life is not None else None
            proof = Unheard(name, unheard_s) if unheard_s > UNHEARD_S else beat.proof if beat else None
            settled = self._given_up or (beat is not None and beat.settled)
            found.append(Signs(settled, proof, self._pictures[name].word))
        return found

    @property
    def unkept(self) -> list[str]:
        """As `FixtureWatch.unkept`, of each of its fixtures, by its newest beat; from any thread."""
        life = self._life
        if life is None or life.closed:
            return []
        age = f" ({fixed(life.unheard_s, 0)} s ago)" if life.unheard_s > UNHEARD_S else ""
        return [f"{beat.unkept}{age}" for beat in tuple(life.beats.values()) if beat.unkept]

    @property
    def _names(self) -> str:
        return ", ".join(self.order.names)

    async def _started(self) -> Life:
        ours, theirs = socket.socketpair()
        environment = {name: value for name, value in os.environ.items() if name not in OURS}
        with theirs:
            try:
                process = await asyncio.create_subprocess_exec(
                    *COMMAND,
                    str(theirs.fileno()),
                    str(self._lock),
                    RELEASE,
                    stdin=asyncio.subprocess.DEVNULL,
                    stdout=asyncio.subprocess.DEVNULL,  # the daemon's may be read by a machine
                    pass_fds=(theirs.fileno(), self._lock),
                    env={**environment, "OPENBLAS_NUM_THREADS": "1"},
                    start_new_session=True,  # Ctrl-C is for the first process
                )
            except (OSError, asyncio.CancelledError):
                ours.close()
                raise
        self._life = life = Life(process, self._take)  # before anything can be cancelled: `close` ends it
        await life.line.open(ours)
        life.line.send(self.order)
        for request in self._first.values():
            life.post(request)
        self._first.clear()
        return life

    async def _watched(self, life: Life) -> None:
        """Until the process is gone.

        Raises:
            NightturnError: all its fixtures have failed; it still answers for them.
        """
        failed: dict[str, FixtureFailed] = {}
        looked_s = self._loop.time()
        while not life.ended.is_set():
            if self._loop.time() - looked_s > BEAT_S + STALL_S:
                life.excuse()
            looked_s = self._loop.time()
            self._show_silence(silent=life.speaks and life.unheard_s > UNHEARD_S)
            self._heard(life)
            failed |= {each.fixture: each for each in life.take_failed()}
            if len(failed) == len(self.order.fixtures):
                self._given_up = True  # it answers for them while it lives, and is not started again
                self._why = "all its fixtures had failed, and its worker process has ended"
                raise raised(next(iter(failed.values())))
            if life.unheard_s > (HEARD_S_MAX if life.speaks else BEGINS_S_MAX):
                life.kill()
            await life.news(BEAT_S)
        self._show_silence(silent=False)
        self._heard(life)

    def _show_silence(self, *, silent: bool) -> None:
        """What was shown last of a worker that says nothing may not be so any more."""
        if silent and not self._hidden:
            self._hidden = {name: self._pictures[name] for name in self.order.names}
            why = "its worker process says nothing, so nobody knows what it does"
            self._pictures |= {name: picture.waits(why) for name, picture in self._hidden.items()}
        elif not silent and self._hidden:
            self._pictures |= self._hidden
            self._hidden = {}

    def _heard(self, life: Life) -> None:
        if life.speaks:
            self.begun.set()
        self.rejected = self.rejected or life.rejected
        self._pictures |= life.take_pictures()
        dropped = life.take_dropped()
        if dropped:
            log.error(
                "rows_dropped",
                why=f"{dropped} rows and lines of {self._names} found the way to the first process full",
                next="they are on the disk; readers of MQTT and of this log lack them",
            )

    def _met_its_end(self, how: str) -> None:
        """Say what is true now of every fixture of a process that is gone, before anything else."""
        recent = [start for start in self._starts if self._loop.time() - start < STARTS_WITHIN_S]
        self._given_up = len(recent) >= STARTS_MAX
        self._why = f"its worker process has ended: {how}"
        follows = SERVE if self._given_up else "it is started again, as a start of the host"
        log.error(
            "worker_ended",
            fixtures=self._names,
            why=f"the worker process of {self._names} has ended: {how}; {LEASE}",
            next=follows,
        )
        for name in self.order.names:
            last = self._pictures[name].state
            row = StandingRow(
                ts=self._utc_ns(),
                state=FAILED if self._given_up else STARTING,
                run=last.run if last is not None else "",
                reason=f"{self._why}; {LEASE}",
                waits_for=f"waits for {SERVE}" if self._given_up else "",
            )
            self._pictures[name] = self._pictures[name].waits(row.reason)
            self._gone(name, row)

    def _for_the_absent(self, request: Request) -> Answer:
        """Nothing can be sent to a device from here, and whoever asks must know that.

        A stop or a pause is the first command of the run when that goes on, as while a daemon starts.
        """
        if self._keep(request):
            state = f"{self._why}; {LEASE}; the command is the first of the run when it goes on"
            return Answer(VERSION, request.id, ok=True, state=state, kept=False)
        if request.command == STATUS:
            waits_for = (
                f"waits for {SERVE}"
                if self._given_up
                else "waits for its next start; what may turn after that is what `after_restart` says of a start of the host"
            )
            state = f"no run is open: {self._why}; {LEASE}"
            return Answer(VERSION, request.id, ok=True, state=state, waits_for=waits_for)
        return refused(
            request.id,
            f"{self._why}; nothing was sent and nothing is kept: {LEASE}, and if something turns, use the emergency stop",
        )

    def _keep(self, request: Request) -> bool:
        """Have a command be the first of the next life, a stop before others; whether it is one and there is such a life."""
        if self._given_up or request.command not in {STOP, PAUSE}:
            return False
        if (
            self._life is not None and not self._life.line.lost.is_set()
        ):  # it is there already, and reads this first
            self._life.post(request)
            return True
        before = self._first.get(request.fixture)
        if before is None or before.command != STOP:
            self._first[request.fixture] = request
        return True

    def _not_closed(self, life: Life) -> None:
        how = life.how or f"it did not end within {fixed(CLOSES_S_MAX, 0)} s"
        self.trouble = StorageError(
            f"{self._names}: its worker process ended before its runs were closed: {how}"
        )
        log.critical(
            "not_closed",
            why=str(self.trouble),
            not_durable="; ".join(self.unkept) or "nothing: every record is on the disk",
            next="check the disk; the next start goes on from what it holds",
        )


def _not_carried_out(request: Request) -> None:
    log.error(
        "command_not_carried_out",
        fixture=request.fixture,
        why=f"{request.command} by {request.operator.strip()} waited for a worker process that is not started any more",
        next=f"{LEASE}; after `nightturn serve` again: `nightturn {request.command} {request.fixture}`",
    )


class Unheard:
    """A fixture whose worker says nothing."""

    def __init__(self, fixture: str, unheard_s: float) -> None:
        self.lacks = f"{fixture}: its worker process has said nothing for {fixed(unheard_s, 0)} s"


def raised(failed: FixtureFailed) -> NightturnError:
    """The error of a fixture as the daemon ends with it."""
    return KINDS.get(failed.kind, NightturnError)(failed.why)
