"""What the loop of a host does for a hall, by CPU time alone: what a fixture costs a second, what a cycle's end and a cut cost, and how late the loop is.

    python tests/benchmarks/loop_cost.py [--fixtures 64] [--seconds 45] [--stall 0.4] [--json]

Stations, tape and publisher's messages are the product's, each line is a socket that `DescriptorPump` reads, and the loop is asyncio's. Its
clock is what differs: it goes on by the CPU time of the loop's own thread, and jumps where the loop would sleep. So what other programs of the
machine do, disks and the interpreter's lock are no part of it, which `live_load.py` has; what is left is the work that stands between a
record and the next one. Virtual fixtures, syncs, seals and figures are worked out on the same thread and do not count; what comes of them
comes as late as from a process of their own: figures one after another, each after the CPU time that they took.

All shafts are told to go at the same moment, so that all cycles end together, which is the worst that a hall can do. `--stall` has the host
stand still once, and prints how long the loop needs until it is on time again. Exit code 1 when a bound is broken. A command, not a test.
"""

import argparse
import asyncio
import pickle
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import msgspec
import numpy as np
from tests.benchmarks.live.cpu_loop import CpuLoop, Wire, let_fixtures_go_on
from tests.benchmarks.live.table import Line, bounded, report
from tests.simulation.scene import CARD, START_UTC_NS, VARIANT, settings_of

from nightturn.bench import runs
from nightturn.bench.line import Line as Reading
from nightturn.bench.recovery import recover
from nightturn.bench.runs import Pace
from nightturn.bench.station import Cadence, Station
from nightturn.bench.telling import Telling
from nightturn.bench.worlds import virtual_world
from nightturn.demo.operator import say_go
from nightturn.estimation.jobs import CycleJob, worked_out
from nightturn.model.facts import CycleFinished, TrendFitted
from nightturn.model.records import Emit
from nightturn.motion.permission import MotionState
from nightturn.outlook.watch_outlook import watch_budget
from nightturn.settings.rig import CyclePlan, Exercise, Hold, SlowTurn, Travel
from nightturn.storage.journal import Journal
from nightturn.telemetry.composer import Composer
from nightturn.telemetry.topics import Topics
from nightturn.trend.fits import FitJob, fitted
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice

LAG_S_MAX = 0.3
TOGETHER_S_MAX = 0.15  # all cycle ends of a hall in one moment: half of what the loop may be late
SYNC_S = 0.02  # until a sync or a seal has come back
PROBE_S = 0.01
BEHIND_S = 5.0  # behind a stall
WARM_S = 12.0  # from the start of all shafts on: lamp, countdown, first moves
PLAN = CyclePlan(
    slow_turn=SlowTurn(revolutions=1, speed_rpm=30.0),
    hold=Hold(torque_nm=5.0, revolutions=1, speed_rpm=30.0),
    exercise=Exercise(strokes=2, angle_deg=240.0, speed_rpm=60.0),
)
HALL = settings_of(
    rate_hz=10_000,
    samples_per_block=100,
    chunk_s=60.0,
    plan=PLAN,
    travel=Travel(range_deg=(-3600.0, 3600.0)),
)

PACKING, PACKING_FIT = "packing a cycle's sums", "packing a course's cycles"
FACT = "fact {}"

Job = TypeVar("Job", CycleJob, FitJob)
Fact = TypeVar("Fact", CycleFinished, TrendFitted)


class Elsewhere:
    """An `Offload` to a thread that takes no time of the loop's."""

    def __init__(self, loop: CpuLoop) -> None:
        self._loop = loop

    async def __call__(self, job: Callable[[], None], /) -> None:
        """Do it; it has come back a little later."""
        with self._loop.uncounted():
            job()
        await asyncio.sleep(SYNC_S)


class OneChild:
    """A `Finisher` as the process for figures is one: a job after the other, packed and unpacked in the daemon."""

    def __init__(self, loop: CpuLoop, costs: "Costs") -> None:
        self._loop, self._costs, self._free_s = loop, costs, 0.0

    async def figures(self, job: CycleJob) -> CycleFinished:
        """Of a cycle."""
        return await self._answered(PACKING, job, worked_out)

    async def course(self, job: FitJob) -> TrendFitted:
        """Of a figure."""
        return await self._answered(PACKING_FIT, job, fitted)

    async def _answered(self, name: str, job: Job, work: Callable[[Job], Fact]) -> Fact:
        begun_s = self._loop.time()
        pickle.dumps(job, pickle.HIGHEST_PROTOCOL)
        self._costs.add(name, self._loop.time() - begun_s)
        with self._loop.uncounted():
            begin_s = time.thread_time()
            packed = pickle.dumps(work(job))
            took_s = time.thread_time() - begin_s
        self._free_s = max(self._free_s, self._loop.time()) + took_s
        await asyncio.sleep(self._free_s - self._loop.time())
        fact: Fact = pickle.loads(packed)
        return fact


class Messages:
    """The publisher's part on the loop: every row is made a message."""

    def __init__(self) -> None:
        self._composer = Composer(Topics("quillfen", "hall"), "boot")

    def offer(self, fixture: str, emit: Emit) -> None:
        """Compose it."""
        self._composer.row(fixture, emit.row)


@dataclass
class Costs:
    """CPU seconds of the loop by what they were for; only the outermost of calls within each other is kept."""

    by_name: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    _within: bool = False

    def add(self, name: str, seconds: float) -> None:
        """One more."""
        self.by_name[name].append(seconds)

    def watch(self, owner: type, method: str, name: Callable[..., str]) -> None:
        """Have a method's calls counted."""
        plain = getattr(owner, method)

        def counted(this: object, *words: object) -> object:
            if self._within:
                return plain(this, *words)
            loop = asyncio.get_running_loop()
            self._within, begin_s = True, loop.time()
            try:
                return plain(this, *words)
            finally:
                self._within = False
                self.add(name(this, *words), loop.time() - begin_s)

        setattr(owner, method, counted)

    def ms_each(self, name: str) -> float:
        """Of one."""
        times = self.by_name.get(name, [])
        return 1000 * sum(times) / len(times) if times else 0.0


async def lateness(loop: CpuLoop, seen: list[tuple[float, float]]) -> None:
    """When the loop has woken, and how late, until cancelled; seconds."""
    while True:
        due_s = loop.time() + PROBE_S
        await asyncio.sleep(PROBE_S)
        seen.append((loop.time(), loop.time() - due_s))


def hall(root: Path, loop: CpuLoop, count: int, costs: Costs) -> list[tuple[Station, VirtualDevice]]:
    """So many stations that have started."""
    (root / "variants").mkdir()
    (root / "variants" / "pan15.toml").write_text(VARIANT)
    world = virtual_world(root, loop, START_UTC_NS)
    elsewhere, finisher, messages = Elsewhere(loop), OneChild(loop, costs), Messages()
    world = replace(world, offload=elsewhere, syncs=elsewhere, seals=elsewhere)
    threshold = watch_budget(HALL, count, 0.05).threshold
    stations = []
    for number in range(count):
        settings = msgspec.structs.replace(HALL, id=f"hall-{number}")
        device = from_spec(f"pan15?seed={number}").build(world.clock.monotonic_ns())
        port = Wire(settings.id, loop, device, world.clock)
        journal = Journal(world.files, settings.id, world.clock)
        station = Station(settings.id, world, port, journal, [messages], Cadence(), finisher)
        beginning = recover(world.files, journal, settings.id).beginning
        pace = Pace(cut_phase=number / count, watch_threshold=threshold)
        rng = np.random.default_rng(number)
        station.start(runs.opened(settings, CARD, root, root, world.clock, rng, beginning, pace))
        stations.append((station, device))
    let_fixtures_go_on(loop)
    return stations


@dataclass(frozen=True)
class Guard:
    """Where the person of the demo opens and closes it."""

    device: VirtualDevice
    loop: CpuLoop

    def guard(self, *, closed: bool) -> None:
        """Open or close."""
        self.device.guard(self.loop.now_ns, closed=closed)


@dataclass
class Seen:
    """What was seen between the first moves and the end; `late` as `lateness` says it."""

    stall_s: float = 0.0
    seconds: float = 0.0
    late: list[tuple[float, float]] = field(default_factory=list)
    stalled_at_s: float = 0.0
    turning: int = 0
    cycles: int = 0
    cuts: int = 0


async def play(folder: Path, count: int, seconds: float, costs: Costs, seen: Seen) -> None:
    """A hall for so long."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, CpuLoop)
    stations = hall(folder, loop, count, costs)
    going = [say_go(station, CARD.operator, CARD.unit, Guard(device, loop)) for station, device in stations]
    await asyncio.gather(*going)
    await asyncio.sleep(WARM_S)
    costs.by_name.clear()
    looking = asyncio.create_task(lateness(loop, seen.late))
    begun_s = loop.time()
    await asyncio.sleep(seconds)
    if seen.stall_s:
        seen.stalled_at_s = loop.time()
        loop.jump(seen.stall_s)
        await asyncio.sleep(BEHIND_S)
    seen.seconds = loop.time() - begun_s
    looking.cancel()
    for station, _ in stations:
        state = station.core.state
        seen.turning += state.motion.permission.state is MotionState.TURNING
        seen.cycles += state.run.night.night.cycles
        seen.cuts += state.chunk.no
    await asyncio.gather(*(station.let_go() for station, _ in stations))
    for station, _ in stations:
        await station.close()


WATCHED: tuple[tuple[type, str, Callable[..., str]], ...] = (
    (Reading, "_bytes", lambda *_: "reading"),
    (Station, "_control", lambda *_: "control ticks"),
    (Station, "_fact", lambda _station, kind, _fact: FACT.format(kind)),
    (Telling, "live", lambda *_: "live rows"),
    (Telling, "counters", lambda *_: "counters"),
)


def table(costs: Costs, seen: Seen, count: int) -> list[Line]:
    """What it has come to."""
    used_s = sum(sum(times) for times in costs.by_name.values())
    figures = FACT.format("cycle_finished")
    end_ms = costs.ms_each(figures) + costs.ms_each(PACKING)
    late = [late_s for at_s, late_s in seen.late if not seen.stalled_at_s or at_s < seen.stalled_at_s]
    lines = [
        Line("fixtures", count, ""),
        Line("fixtures that turn at the end", seen.turning, "", f"= {count}", broken=seen.turning < count),
        Line("cycles with their figures", seen.cycles, ""),
        Line("cuts", seen.cuts, ""),
        Line("CPU of the loop, a fixture", 1000 * used_s / seen.seconds / count, "ms/s"),
        *(
            Line(f"  {name}", 1000 * sum(times) / seen.seconds / count, "ms/s")
            for name, times in sorted(costs.by_name.items(), key=lambda item: -sum(item[1]))
        ),
        Line("CPU of the loop, a cycle's end", end_ms, "ms"),
        Line(f"  {PACKING}", costs.ms_each(PACKING), "ms"),
        Line(f"  {figures}, mean", costs.ms_each(figures), "ms"),
        Line(f"  {figures}, most", 1000 * max(costs.by_name.get(figures, [0.0])), "ms"),
        bounded("all cycle ends in one moment", end_ms * count, "ms", 1000 * TOGETHER_S_MAX, count),
        bounded("loop lag by CPU time, max", 1000 * max(late), "ms", 1000 * LAG_S_MAX, count),
    ]
    if seen.stalled_at_s:
        behind = [late_s for at_s, late_s in seen.late if at_s > seen.stalled_at_s + seen.stall_s]
        lines += [
            Line("the host stood still", 1000 * seen.stall_s, "ms"),
            Line("  so late the loop was then", 1000 * behind[0], "ms"),
            bounded("  and the next time at most", 1000 * max(behind[1:]), "ms", 1000 * LAG_S_MAX, count),
        ]
    return lines


def main() -> int:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fixtures", type=int, default=64)
    parser.add_argument("--seconds", type=float, default=45.0)
    parser.add_argument(
        "--stall", type=float, default=0.0, help="seconds for which the host stands still once"
    )
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    costs, seen = Costs(), Seen(stall_s=given.stall)
    for owner, method, name in WATCHED:
        costs.watch(owner, method, name)
    with tempfile.TemporaryDirectory() as folder, asyncio.Runner(loop_factory=CpuLoop) as runner:
        runner.run(play(Path(folder), given.fixtures, given.seconds, costs, seen))
    lines = table(costs, seen, given.fixtures)
    report(lines, as_json=given.json)
    return int(any(line.broken for line in lines))


if __name__ == "__main__":
    sys.exit(main())
