"""A whole night in virtual time beside a real broker: what it retains is true, by the reader's rule, at every look."""

import asyncio
import json
import threading
from collections.abc import Callable
from pathlib import Path

from tests.simulation.permission_scene import killed, line_down
from tests.simulation.scene import START_UTC_NS, Scene, open_scene, run, settings_of
from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.reader import Reader
from tests.telemetry.watching import LAB, LIMIT_S, Wire, publisher, standing_row, wire_to
from tests.waiting import wait

from nightturn.bench import runs
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.worlds import virtual_world
from nightturn.demo.broker import Broker
from nightturn.model.records import Emit
from nightturn.model.rows import STARTING, STATE
from nightturn.motion.interlocks import GUARD_CLOSED
from nightturn.settings.rig import CyclePlan, SlowTurn
from nightturn.telemetry.reading import OFFLINE, THERE, FixtureSeen
from nightturn.telemetry.thread import PublisherThread
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice

FIXTURE = f"{LAB}/pan-a1"
LOOK_S = 0.5
CONTROL_S = 0.1  # what a core has decided is in its state at its next tick
CYCLES = 8
PLAN = CyclePlan(slow_turn=SlowTurn(revolutions=1, speed_rpm=30.0), cycles=CYCLES)
SETTINGS = settings_of(after_restart="resume", plan=PLAN)


class Network:
    """A wire to the broker on a loop of its own, because the test's own loop lives in virtual time."""

    def __init__(self, broker_port: int) -> None:
        self._loop = asyncio.new_event_loop()
        self._ready, self._over = threading.Event(), asyncio.Event()
        self._broker_port = broker_port
        self._thread = threading.Thread(
            target=lambda: self._loop.run_until_complete(self._serve()), daemon=True
        )
        self.wire: Wire

    def __enter__(self) -> "Network":
        self._thread.start()
        assert self._ready.wait(LIMIT_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(LIMIT_S)
        self._loop.close()

    def cut(self) -> None:
        """The cable to the broker is out: nobody says goodbye."""
        self._loop.call_soon_threadsafe(self.wire.cut)

    def mend(self) -> None:
        self.wire.open = True

    async def _serve(self) -> None:
        async with wire_to(self._broker_port) as self.wire:
            self._ready.set()
            await self._over.wait()


class Night:
    """A daemon's publisher, its one fixture, and who watches from home."""

    def __init__(self, folder: Path, network: Network, reader: Reader) -> None:
        self._folder = folder
        self._network = network
        self._reader = reader
        self._boots = 0
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        self._world = virtual_world(folder, loop, START_UTC_NS)
        self.desk: AlarmDesk
        self.ended_runs: list[bytes] = []
        self.scene: Scene
        self.publisher: PublisherThread

    @property
    def seen(self) -> FixtureSeen:
        """What the reader makes of it now."""
        return self._reader.fixtures[FIXTURE]

    def start(self, device: VirtualDevice) -> None:
        """The daemon starts, for the first time or again."""
        self._boots += 1
        self._network.mend()
        self.publisher = PublisherThread(publisher(self._network.wire.port, daemon_boot=f"boot{self._boots}"))
        self.publisher.offer(
            "pan-a1", Emit(STATE, standing_row(STARTING, run=""))
        )  # as `serve` does first of all
        self.desk = AlarmDesk(self._world, ["pan-a1"], f"boot{self._boots}", [self.publisher])
        self.publisher.start()
        assert self.publisher.wait_connected(LIMIT_S)
        self.scene = open_scene(
            self._folder, settings=SETTINGS, device=device, go=False, sinks=[self.desk, self.publisher]
        )
        opened = self.scene.station.core.state.run.opened
        assert opened is not None
        assert opened.resumed == (self._boots > 1)
        self.publisher.announce("pan-a1", runs.info(SETTINGS, opened))

    async def until(self, holds: Callable[[], bool]) -> None:
        """Let the night go on, and look at the picture all the while."""
        for _ in range(round(240 / LOOK_S)):
            await self.look()
            if holds():
                return
            await asyncio.sleep(LOOK_S)
        raise AssertionError(f"it did not come about: {self.scene.events[-4:]}, {self.scene.motion}")

    async def turns(self) -> None:
        """A person tries the guard and says `go`."""
        await self.until(lambda: self.scene.station.core.state.device.streams)
        await self.guard_opens()
        await self.person_says_go()

    async def guard_opens(self) -> None:
        for closed, word in ((False, "open"), (True, "closed")):
            self.scene.guard(closed=closed)
            await self.until(lambda word=word: self.seen.said["inputs"]["guard"] == word)  # type: ignore[misc]  # bound now

    async def person_says_go(self) -> None:
        """As soon as nothing is against it."""
        state = self.scene.station.core.state
        await self.until(lambda: state.motion.permission.state == "locked" and state.device.streams)
        self.scene.go()
        await self.until(lambda: self.scene.motion == "turning")

    async def broker_dies(self, broker: Broker, start: StartMosquitto) -> None:
        """It forgets everything, and the guard is opened in the dark."""
        broker.stop()
        self.scene.guard(closed=False)
        await self.scene.until(lambda: self.scene.motion == "locked")
        self._new_reader(start(port=broker.port).port)
        await self.until(lambda: self.seen.said["inputs"]["guard"] == "open")
        self.scene.guard(closed=True)
        await self.until(lambda: self.seen.said["inputs"]["guard"] == "closed")

    def network_is_cut(self) -> None:
        """To who watches, a daemon that is cut off is as one that has died."""
        boot = self.seen.said["daemon_boot"]
        self._network.cut()
        wait(lambda: self.seen.state == OFFLINE, lambda: f"after the cut: {self.seen}")
        assert self.seen.alarms == set()
        self._network.mend()
        wait(lambda: self.seen.state == self.scene.motion, lambda: f"after it was mended: {self.seen}")
        assert self.seen.said["daemon_boot"] == boot

    def is_killed(self) -> None:
        """As by kill -9: the sockets close and nobody says anything."""
        self._network.cut()
        killed(self.scene)
        self.publisher.stop()
        assert self.publisher.join(LIMIT_S)
        wait(lambda: self.seen.state == OFFLINE, lambda: f"after the kill: {self.seen}")
        self._new_reader(self._reader.port)  # who joins now finds the same
        assert (self.seen.state, self.seen.alarms) == (OFFLINE, frozenset())
        will = json.loads(self._reader.payload("/host/bench-1/state"))
        assert (will["state"], will["ts"], will["daemon_boot"]) == ("offline", None, f"boot{self._boots}")
        assert will["lodged_ts"] is not None

    def leaves(self) -> None:
        """The daemon ends as asked; the end of the run stays to be read."""
        self.publisher.stop(drain_s=LIMIT_S)
        assert self.publisher.join(LIMIT_S)
        self._new_reader(self._reader.port)
        assert (self.seen.state, self.seen.said["state"]) == (OFFLINE, "ended")

    def retained_alarm(self, kind: str) -> bytes:
        """What the broker has of an alarm."""
        return self._reader.payload(f"/pan-a1/alarm/{kind}")

    def _new_reader(self, port: int) -> None:
        self.ended_runs += self._reader.ended_runs
        self._reader.close()
        self._reader = Reader(port)

    async def look(self) -> None:
        """What is retained is what the core's state says, a control tick later at the latest."""
        self.desk.tick()
        for _ in range(3):
            if self._shown() == self._true():
                break
            await asyncio.sleep(CONTROL_S)
        assert self._shown() == self._true()

    def _shown(self) -> tuple[object, ...]:
        assert self.publisher.wait_below(1, LIMIT_S)
        self._reader.catch_up()
        seen = self._reader.fixtures.get(FIXTURE)
        if seen is None:
            return ()
        said = seen.said
        guard = said["inputs"]["guard"] if said["inputs"] is not None else None
        return (
            seen.state, seen.run, said["reason"], said["cycle_no"], said["cycles_done"], said["cycles_planned"],
            said["link"], guard, [lock["text"] for lock in said["locks"] or ()], seen.alarms,
        )  # fmt: skip

    def _true(self) -> tuple[object, ...]:
        state = self.scene.station.core.state
        permission, opened, link = state.motion.permission, state.run.opened, state.device.link
        assert opened is not None
        assert link is not None
        guard = "closed" if state.watch.inputs & GUARD_CLOSED else "open"
        known = state.device.streams and state.watch.inputs_tick >= 0
        return (
            permission.state.value, opened.run, permission.text, state.cycle_no, state.motion.planner.cycles_done,
            CYCLES, link.state.value, guard if known else None, self.scene.why_locked,
            self.alarms_now(),
        )  # fmt: skip

    def alarms_now(self) -> frozenset[str]:
        """Those whose cause is there."""
        return frozenset(row.id for row in self.desk.rows if row.state.value in THERE)


def test_the_retained_picture_is_true_through_a_night_with_everything_in_it(
    tmp_path: Path, start: StartMosquitto
) -> None:
    broker = start()

    async def act() -> None:
        with Network(broker.port) as network:
            night = Night(tmp_path, network, Reader(broker.port))
            night.start(from_spec("pan15?seed=7&fault=cable@28s+2s*40").build(0))
            await night.turns()
            await night.guard_opens()
            await night.person_says_go()
            await night.until(lambda: night.scene.count("adc_saturated") > 0)  # a cable chafes
            line_down(night.scene, down=True)  # the outage of the device
            await night.until(lambda: not night.scene.station.core.state.device.streams)
            line_down(night.scene, down=False)
            await night.person_says_go()  # the lease has lapsed meanwhile
            await night.broker_dies(broker, start)
            await night.person_says_go()
            night.network_is_cut()
            night.scene.device.reset()
            await night.until(lambda: "device_restarted" in night.seen.alarms)
            await night.desk.keep()
            night.is_killed()
            night.start(night.scene.device)
            await night.until(lambda: night.scene.station.core.state.device.streams)
            assert "device_restarted" in night.seen.alarms  # a person is waited for still
            night.scene.station.command("confirm_travel_zero", "R. Vale")  # the reset lost the turns
            await night.person_says_go()
            await night.until(lambda: "device_restarted" not in night.seen.alarms)
            said = json.loads(night.retained_alarm("device_restarted"))
            assert (said["state"], said["daemon_boot"]) == ("returned", "boot2")  # nobody has acknowledged it
            await night.until(lambda: night.scene.station.run_ended is not None)  # the shaft is at rest
            assert night.scene.motion == "ended"
            await night.scene.station.close()
            night.leaves()
            assert len(night.ended_runs) == 1

    run(act)
