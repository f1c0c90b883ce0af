"""The night: every fixture watched until somebody asks for the end, and then closed in order."""

import asyncio
import os
import sqlite3
from collections.abc import Coroutine, Sequence
from contextlib import ExitStack, nullcontext
from datetime import UTC
from pathlib import Path

from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.bench.figuring import ChildFinisher, Finisher
from nightturn.bench.locks import PortLocks, own_root, us
from nightturn.bench.logging import set_up_logging
from nightturn.bench.runs import host_id
from nightturn.bench.telling import Sink
from nightturn.bench.worlds import real_world, shut_down
from nightturn.daemon.alarm_control import AlarmControl
from nightturn.daemon.audience import Audience
from nightturn.daemon.control_socket import ControlSocket, Handler, socket_path
from nightturn.daemon.host_watch import keep_alarms
from nightturn.daemon.leaving import Leaving
from nightturn.daemon.mqtt_commands import MqttCommands
from nightturn.daemon.notifying import Notifier, notifier_of
from nightturn.daemon.old_files import clear_old
from nightturn.daemon.own_fixtures import OwnFixtures
from nightturn.daemon.page import DaemonPage
from nightturn.daemon.publishing import publish, publisher_of
from nightturn.daemon.service_manager import ServiceManager, keep_looking, send
from nightturn.daemon.spoken import Spoken
from nightturn.daemon.terminal import Terminal, on_terminal
from nightturn.daemon.watch import Shared
from nightturn.daemon.wiring import say_unwired
from nightturn.daemon.workers import Workers
from nightturn.errors import NightturnError, StorageError
from nightturn.estimation.figures import FIGURES
from nightturn.outlook.watch_outlook import check_rate
from nightturn.settings.load import data_root, load_rig
from nightturn.settings.rig import Rig
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.child_sealer import ChildSealer
from nightturn.storage.sealer import Sealer
from nightturn.storage.without_pandas import do_without_pandas
from nightturn.storage.zones import zone_of
from nightturn.trend.series import FOLLOWED
from nightturn.world import World

COMMAND = "nightturn serve"
DRAIN_S = 3.0
GOODBYE_S = 5.0

Served = OwnFixtures | Workers


async def serve(bench: Path, rig: Rig, password: str | None, terminal: Terminal | None) -> bool:
    """Run every fixture of the bench until a signal asks to stop; drains and closes cleanly, in bounded time.

    Returns whether the night's verdict on a run that ended meanwhile is reject.

    Raises:
        ConfigError: no watch keeps the rate of false alarms.
        NightturnError: a fixture cannot be set up; nothing keeps running.
    """
    served: list[Served] = []
    with (
        Leaving(lambda: [text for each in served for text in each.unkept]) as leaving,  # first of all
        ExitStack() as closing,
    ):
        check_rate(rig, str(bench))
        say_unwired(rig)
        root = data_root(bench, rig)
        owned = own_root(root, COMMAND)  # until the process ends: something may write at its very end
        try:
            Catalogue(root)
        except (OSError, sqlite3.Error) as error:
            why = f"{root}: cannot be written: {error}; choose another `data` in [bench]"
            raise StorageError(why) from error
        world = real_world(root)
        page = DaemonPage(bench, rig, root)
        closing.callback(page.close)
        page.start()
        notifier = notifier_of(rig, world, zone_of(rig.bench.timezone) or UTC, host_id(root))
        if rig.bench.workers > 1:
            audience = _audience(rig, root, world, password, page)
            fixtures: Served = Workers(bench, rig, root, world, audience, owned.descriptor)
        else:
            sealer = closing.enter_context(ChildSealer(root, owned.descriptor))
            finisher = closing.enter_context(ChildFinisher(world))
            audience = _audience(rig, root, world, password, page)
            shared = _shared(bench, rig, root, world, audience, sealer, finisher)
            fixtures = OwnFixtures(rig.fixture, shared)
        served.append(fixtures)
        commands = AlarmControl(audience.desk, fixtures.pictures, fixtures)
        control = ControlSocket(socket_path(root), rig.bench.control_group, commands)
        await _begun(fixtures, leaving, control)
        owned.note(us(COMMAND, str(control.path)))
        commanding = _commanding(rig, root, world, audience, commands)
        with terminal.drawn(fixtures.pictures) if terminal is not None else nullcontext():
            # its process begins when there is something to join
            joiner = ChildSealer(root, owned.descriptor, at_once=False)
            clear = clear_old(world, root, rig.retention, joiner)
            return await _until_asked(
                leaving, control, fixtures, audience, notifier, world, (clear, *commanding)
            )


def _shared(
    bench: Path,
    rig: Rig,
    root: Path,
    world: World,
    audience: Audience,
    sealer: Sealer,
    finisher: Finisher,
) -> Shared:
    spoken = Spoken(each.id for each in rig.fixture)
    sinks: list[Sink] = [spoken, audience]
    return Shared(
        rig.bench,
        bench,
        root,
        world,
        sinks,
        spoken,
        PortLocks(COMMAND),
        sealer,
        finisher,
        audience.announce,
        len(rig.fixture),
    )


def _audience(rig: Rig, root: Path, world: World, password: str | None, page: DaemonPage) -> Audience:
    boot = os.urandom(4).hex()
    publisher = publisher_of(rig, root, world, password, boot)
    sinks: list[Sink] = [publisher] if publisher is not None else []
    desk = AlarmDesk(world, [each.id for each in rig.fixture], boot, sinks)
    return Audience(desk, publisher, page.feed)


def _commanding(
    rig: Rig, root: Path, world: World, audience: Audience, handler: Handler
) -> list[Coroutine[None, None, None]]:
    """What carries commands over MQTT out, where the rig file allows them."""
    if audience.publisher is None or rig.mqtt is None or not rig.mqtt.commands:
        return []
    return [MqttCommands(audience.publisher, audience.desk, handler, root, world).run()]


async def _begun(fixtures: Served, leaving: Leaving, control: ControlSocket) -> None:
    """Commands are taken when somebody can carry them out, or the end is asked for already."""
    waiting = [asyncio.create_task(fixtures.begin()), asyncio.create_task(leaving.asked.wait())]
    await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    for task in waiting:
        task.cancel()
    try:
        await control.open()
    except NightturnError:
        await fixtures.close()
        raise


async def _until_asked(
    leaving: Leaving,
    control: ControlSocket,
    fixtures: Served,
    audience: Audience,
    notifier: Notifier | None,
    world: World,
    beside: Sequence[Coroutine[None, None, None]],
) -> bool:
    """Everything runs until the end is asked for, or no fixture can go on; then it is closed in this order."""
    publisher = audience.publisher
    publishing = asyncio.create_task(publish(publisher)) if publisher is not None else None
    alarming = asyncio.create_task(keep_alarms(audience, notifier))
    tasks = fixtures.start()
    others = [asyncio.create_task(each) for each in beside]
    manager = ServiceManager(os.environ, send)
    proving = asyncio.create_task(keep_looking(manager, lambda: fixtures.signs))
    stopping = asyncio.create_task(leaving.asked.wait())
    watching = asyncio.create_task(_all_ended(tasks))
    await asyncio.wait({stopping, watching}, return_when=asyncio.FIRST_COMPLETED)
    leaving.begin()
    manager.stopping()
    await control.close()  # first of all: what is let go of now must not be asked to turn again
    for task in (stopping, watching, proving, *others, *tasks):
        task.cancel()
    outcomes = await asyncio.gather(*tasks, return_exceptions=True)
    await fixtures.close()
    alarming.cancel()
    await asyncio.gather(alarming, return_exceptions=True)
    await audience.desk.keep()
    if publisher is not None and publishing is not None:
        publisher.stop(drain_s=DRAIN_S)
        await asyncio.wait({publishing}, timeout=DRAIN_S + GOODBYE_S)
        publishing.cancel()
    shut_down(world)
    for outcome in (*outcomes, *fixtures.troubles):
        if isinstance(outcome, Exception):
            raise outcome
    return fixtures.rejected


async def _all_ended(tasks: Sequence[asyncio.Task[None]]) -> None:
    """Wait until every fixture has ended, which only a fault makes it do."""
    await asyncio.wait(tasks)


def main(bench: Path, overrides: Sequence[str], *, as_json: bool = False) -> bool:
    """Load the rig and serve it, speaking to a person on a terminal, else in JSON lines; returns what `serve` does.

    Raises:
        ConfigError: the rig cannot be used.
        NightturnError: as `serve`.
    """
    do_without_pandas()
    rig = load_rig(bench, overrides, figures=FIGURES, followed=FOLLOWED)
    zone = rig.bench.timezone
    terminal = None if as_json else on_terminal(zone)
    set_up_logging(as_json=as_json, show=terminal.show if terminal is not None else None, timezone=zone)
    return asyncio.run(serve(bench, rig, os.environ.get("NIGHTTURN_MQTT_PASSWORD"), terminal))
