"""Commands over MQTT, carried out one after the other as the control socket's are: each is answered, and is a line of the alarms' log.

What finds too many waiting is refused at once, and all of that since the line before is one line, so that no flood fills the disk.
"""

import asyncio
from collections.abc import Callable
from pathlib import Path

import structlog

from nightturn.alarms.words import Audited
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.daemon.control_protocol import VERSION, Request
from nightturn.daemon.control_socket import Handler
from nightturn.errors import NightturnError, StorageError
from nightturn.telemetry.command_store import NAME, CommandStore
from nightturn.telemetry.commands import Asked, asked
from nightturn.telemetry.confirming import Arrived
from nightturn.telemetry.publisher import Publisher
from nightturn.world import World

WAITING_MAX = 32
"""Commands that wait to be carried out; what comes beyond is refused."""
NAMED_MAX = 8
"""Of those, so many are named in the line of the log."""
DONE, REFUSED = "mqtt_command", "mqtt_command_refused"
NOBODY = "nobody named"
REPEATED = "a command with this id was taken before; it acts once"
TOO_MANY = f"{WAITING_MAX} commands wait already, so it was not carried out"

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class MqttCommands:
    """Takes messages on the daemon's loop and carries them out there.

    A command that finds `WAITING_MAX` of them waiting is refused; its id may come again.
    """

    def __init__(
        self, publisher: Publisher, desk: AlarmDesk, handler: Handler, root: Path, world: World
    ) -> None:
        """From here on the publisher's commands come here; nothing is done before `run`."""
        self._publisher, self._desk, self._handler, self._world = publisher, desk, handler, world
        self._store = CommandStore(root / NAME)
        self._waiting: asyncio.Queue[Arrived] = asyncio.Queue(WAITING_MAX)
        self._too_many: list[Asked] = []
        self._unnamed = 0
        publisher.on_command = self._take

    async def run(self) -> None:
        """Carry out what comes, until cancelled."""
        while True:
            await self._one(await self._waiting.get())
            await self._account()

    def _take(self, arrived: Arrived) -> None:
        try:
            self._waiting.put_nowait(arrived)
        except asyncio.QueueFull:
            self._refuse(asked(arrived, self._publisher.topics, self._world.clock.utc_ns()))

    def _refuse(self, given: Asked | None) -> None:
        """One too many: answered now, and accounted for behind the command that is being carried out."""
        if given is None:
            return
        if len(self._too_many) < NAMED_MAX:
            self._too_many.append(given)
        else:
            self._unnamed += 1
        self._publisher.answer(given, ok=False, said=given.refusal or TOO_MANY)

    async def _account(self) -> None:
        """A line of the log for all that was refused since the last one."""
        named, more = self._too_many, self._unnamed
        self._too_many, self._unnamed = [], 0
        if not named:
            return
        who = ", ".join(
            f"{each.fixture} {each.name} {each.id or 'without an id'} by {each.operator or NOBODY}"
            for each in named
        )
        others = f" and {more} more" if more else ""
        what = f"{who}{others}: {WAITING_MAX} commands waited already"
        log.warning("mqtt_commands_refused", count=len(named) + more, detail=what)
        await self._desk.asked(Audited(REFUSED, named[0].operator or NOBODY, what, named[0].fixture))

    async def _one(self, arrived: Arrived) -> None:
        given = asked(arrived, self._publisher.topics, self._world.clock.utc_ns())
        if given is None:
            return
        ok, said = await self._done(given)
        log.info("mqtt_command", fixture=given.fixture, command=given.name, id=given.id, ok=ok, detail=said)
        self._publisher.answer(given, ok=ok, said=said)
        what = f"{given.name} {given.id or 'without an id'}: {said}"
        by = given.operator or NOBODY
        await self._desk.asked(Audited(DONE if ok else REFUSED, by, what, given.fixture))

    async def _done(self, given: Asked) -> tuple[bool, str]:
        """Whether it was done, and the sentence to it."""
        if given.refusal:
            return False, given.refusal
        first: list[bool] = []
        try:
            await self._world.offload(_kept(self._store, given.id, first))
        except StorageError as error:
            return False, f"it cannot be kept that it came, so nothing was done: {error}"
        if not first[0]:
            return False, REPEATED
        reason = f"over MQTT; {given.reason}" if given.reason else "over MQTT"
        fixture = given.fixture
        request = Request(VERSION, given.id, given.name, fixture, given.operator, reason, alarm=given.alarm)
        try:
            answer = await self._handler(request)
        except NightturnError as error:
            return False, f"it is not known whether it was done: {error}"
        if not answer.ok:
            return False, answer.problem
        kept = "" if answer.kept else " (not on the disk yet)"
        return True, f"{answer.state}{kept}"


def _kept(store: CommandStore, command_id: str, first: list[bool]) -> Callable[[], None]:
    return lambda: first.append(store.first(command_id))
