"""Whole stations in virtual time: a virtual fixture behind a port that may be wrapped, sinks that keep the rows."""

import asyncio
import dataclasses
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import numpy as np

from nightturn.bench import runs
from nightturn.bench.recovery import recover
from nightturn.bench.runs import Beginning, Pace
from nightturn.bench.sinks import Tally
from nightturn.bench.station import Cadence, Station
from nightturn.bench.take_up import take_up
from nightturn.bench.telling import Sink, tell
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.virtual_port import VirtualPort
from nightturn.bench.worlds import virtual_world
from nightturn.demo.operator import say_go
from nightturn.fixture.session import COMMANDS_UNTOLD
from nightturn.fixture.state import FixtureState
from nightturn.model.cards import MountCard
from nightturn.model.facts import RunOpened
from nightturn.model.rows import RECOVERED, EventRow, GapRow, RecoveredRow, RunEnded
from nightturn.motion.interlocks import GUARD_CLOSED
from nightturn.settings.load import append_card
from nightturn.settings.rig import (
    CyclePlan,
    Encoder,
    Exercise,
    FixtureSettings,
    Fsync,
    Hold,
    SlowTurn,
    Transducer,
    Travel,
)
from nightturn.storage.journal import Journal
from nightturn.storage.verify import verify
from nightturn.storage.verify_report import RunReport
from nightturn.transport.port import Port
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice
from nightturn.world import Files, World, boundless

VARIANT = "schema = 1\nrated_torque_nm = 15.0\npole_pairs = 16\nslots = 36\n"
CARD = MountCard(
    travel_zero_confirmed=True,
    unit="Q-0117",
    variant="pan15",
    operator="R. Vale",
    mounted_utc="2026-05-04T18:00:00Z",
)
START_UTC_NS = 1_777_917_600_000_000_000
PLAN = CyclePlan(
    slow_turn=SlowTurn(revolutions=1, speed_rpm=30.0),
    hold=Hold(torque_nm=5.0, revolutions=1, speed_rpm=30.0),
    exercise=Exercise(strokes=2, angle_deg=180.0, speed_rpm=60.0),
    cycles=1000,
)
FAST = FixtureSettings(
    id="pan-a1",
    port="virtual:pan15?seed=7",
    rate_hz=1000,
    ramp_rad_per_s2=20.0,
    samples_per_block=50,
    chunk_s=3600.0,
    transducer=Transducer(serial="TR-204", factor_nm_per_v=4.0),
    encoder=Encoder(counts_per_rev=2**20, reference="absolute"),
    travel=Travel(range_deg=(-2000.0, 2000.0)),
    plan=PLAN,
)
CYCLE_S = 26.0


@dataclass
class Scene:
    """One station and what it said."""

    root: Path
    world: World
    device: VirtualDevice
    port: Port
    station: Station
    tally: Tally = field(default_factory=Tally)
    saying_go: asyncio.Task[None] | None = None
    ended_before: RunEnded | None = None

    def go(self) -> None:
        """The operator lets the shaft turn."""
        self.station.command("go", CARD.operator, CARD.unit)

    async def go_when_it_streams(self) -> None:
        """As `go`, once it would not be refused for want of a device."""
        await say_go(self.station, CARD.operator, CARD.unit, self)

    def guard(self, *, closed: bool) -> None:
        """A person closes the guard, or opens it."""
        self.device.guard(self.world.clock.monotonic_ns(), closed=closed)

    async def guard_tried(self) -> None:
        """A person opens the guard and closes it, and the core has seen both."""
        await self.until(lambda: self.station.core.state.watch.inputs_tick >= 0)
        self.guard(closed=False)
        await self.until(lambda: self.station.core.state.motion.permission.guard_seen_open)
        self.guard(closed=True)
        await self.until(lambda: bool(self.station.core.state.watch.inputs & GUARD_CLOSED))

    @property
    def why_locked(self) -> list[str]:
        """The sentences of the lock."""
        return [reason.text for reason in self.station.core.state.motion.permission.reasons]

    @property
    def events(self) -> list[EventRow]:
        return self.tally.events.get(self.station.fixture, [])

    @property
    def gaps(self) -> list[GapRow]:
        return self.tally.gaps.get(self.station.fixture, [])

    @property
    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    def count(self, kind: str) -> int:
        return self.kinds.count(kind)

    @property
    def motion(self) -> str:
        return self.station.core.state.motion.permission.state.value

    @property
    def moving(self) -> bool:
        """Whether the virtual shaft turns, by the plant and not by what the core believes."""
        self.device.advance(self.world.clock.monotonic_ns())
        return self.device._rig.moving

    async def until(self, condition: Callable[[], bool], limit_s: float = 120.0) -> None:
        """Let virtual time pass until the condition holds."""
        for _ in range(round(limit_s / 0.05)):
            if condition():
                return
            await asyncio.sleep(0.05)
        raise AssertionError(f"it did not come about within {limit_s} s: {self.kinds[-8:]}, {self.motion}")


Wrap = Callable[[VirtualPort], Port]
WrapFiles = Callable[[Files], Files]


def settings_of(**changes: object) -> FixtureSettings:
    return msgspec.structs.replace(FAST, **changes)


def open_scene(
    root: Path,
    *,
    settings: FixtureSettings = FAST,
    device: VirtualDevice | None = None,
    wrap: Wrap = lambda port: port,
    wrap_files: WrapFiles = lambda files: files,
    beginning: Beginning | None = None,
    pace: Pace | None = None,
    sync_s: float = 1.0,
    fsync: Fsync = "1s",
    seed: int = 1,
    poll_s: float = 0.05,
    variant: str = VARIANT,
    go: bool = True,
    card: MountCard = CARD,
    later_s: float = 0.0,
    sinks: Sequence[Sink] = (),
    timezone: str = "UTC",
    room: Callable[[], int] = boundless,
) -> Scene:
    """A station that has started, on the running virtual loop, so long after the others' start by the wall clock."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    _set_out(root, variant)
    append_card(root, settings.id, card)  # as `mount` does
    plain = virtual_world(root, loop, START_UTC_NS + round(later_s * 1e9))
    world = dataclasses.replace(plain, files=wrap_files(plain.files), room=room)
    rng = np.random.default_rng(seed)
    if device is None:
        device = from_spec(settings.port.removeprefix("virtual:")).build(world.clock.monotonic_ns())
    port = wrap(VirtualPort(settings.port, device, world.clock, rng, poll_s))
    journal = Journal(world.files, settings.id, world.clock)
    news: tuple[RecoveredRow, ...] = ()
    if beginning is None:
        beginning, news = (found := recover(world.files, journal, settings.id)).beginning, found.news
    tally, cadence = Tally(), Cadence(0.1, sync_s, fsync=fsync)
    station = Station(settings.id, world, port, journal, [tally, *sinks], cadence)

    def opened_for(beginning: Beginning) -> RunOpened:
        pace_of = pace or Pace(tile_samples=100, fsync=fsync)
        return runs.opened(settings, card, root, root, world.clock, rng, beginning, pace_of, timezone)

    start = take_up(world.files, journal, world.clock, beginning, opened_for)
    _tell_news(settings.id, sinks, (*news, *start.news))
    scene = Scene(root, world, device, port, station, tally, ended_before=start.ended)
    station.start(start.opened, start.segment, start.setting)
    if go and not start.opened.resumed:
        scene.saying_go = loop.create_task(say_go(station, card.operator, card.unit, scene))
    return scene


def commands_sent(state: FixtureState) -> int:
    """How many commands this host has numbered; it counts on from what the one before may have sent."""
    left = state.run.opened.stream if state.run.opened is not None else None
    return state.motion.planner.command_no - (left.command_no + COMMANDS_UNTOLD if left is not None else 0)


def _set_out(root: Path, variant: str) -> None:
    (root / "variants").mkdir(parents=True, exist_ok=True)
    (root / "variants" / "pan15.toml").write_text(variant)


def _tell_news(fixture: str, sinks: Sequence[Sink], news: Sequence[RecoveredRow]) -> None:
    for each in news:
        tell(fixture, sinks, RECOVERED, each)


def run(act: Callable[[], Awaitable[None]]) -> None:
    """Play a scene in virtual time."""

    async def played() -> None:
        await act()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(played())


def checked(root: Path) -> list[RunReport]:
    """Everything verified; problems fail the test."""
    reports = verify(root, run="all").runs
    for report in reports:
        assert report.problems == [], report.problems
    return list(reports)
