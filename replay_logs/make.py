"""Makes the tapes of this folder again, byte for byte: virtual fixtures in virtual time, every seed fixed.

    python replay_logs/make.py [NAME ...] [--into FOLDER]

Writes `<name>.ntj`, or a folder `<name>/` where a run has several segments, and `<name>.expected.json` beside it.
"""

import argparse
import asyncio
import contextlib
import itertools
import logging
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np
import structlog
import typer
from typing_extensions import override

from nightturn.bench import runs
from nightturn.bench.locks import PortLocks
from nightturn.bench.ports import port_for
from nightturn.bench.recovery import recover
from nightturn.bench.runs import Pace
from nightturn.bench.station import Cadence, Station
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.virtual_port import VirtualPort
from nightturn.bench.worlds import InlineOffload, VirtualClock
from nightturn.demo.operator import say_go
from nightturn.fixture.owners.motion import TravelPhase
from nightturn.model.cards import MountCard
from nightturn.replay.verdict import Options, replay_log
from nightturn.settings.load import append_card
from nightturn.settings.rig import (
    CyclePlan,
    Encoder,
    Exercise,
    FixtureSettings,
    Hold,
    Limit,
    Shunt,
    SlowTurn,
    Transducer,
)
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.segment import unpack
from nightturn.world import World

FOLDER = Path(__file__).resolve().parent
FIXTURE = "pan-a1"
BYTES_MAX = 6_000_000
START_UTC_NS = 1_795_640_400_000_000_000  # 2026-11-25T21:00:00Z: any evening will do, always the same one
CARD = MountCard(
    travel_zero_confirmed=True,
    unit="Q-0117",
    variant="pan15",
    operator="R. Vale",
    mounted_utc="2026-11-25T20:55:00Z",
    notes="replay log",
)
VARIANT = """\
schema = 1
rated_torque_nm = 15.0
pole_pairs = 16
slots = 36

[accept]
friction_nm = { max = 0.150, at_rpm = 5.0, temp_degc = [10, 45] }
ripple_pct_rated = { max = 0.60, at_rpm = 5.0, at_torque_nm = 5.0 }
"""
PLAN = CyclePlan(
    slow_turn=SlowTurn(revolutions=2, speed_rpm=5.0),
    hold=Hold(torque_nm=5.0, revolutions=3, speed_rpm=5.0),
    exercise=Exercise(strokes=4, angle_deg=270.0, speed_rpm=15.0),
    cycles=2,
)


@dataclass(frozen=True, slots=True)
class Scene:
    """What a tape shows: the virtual fixture with its faults, the plan, and how long it may take at most.

    With `epochs` the device restarts, so the tape has a segment for each epoch. At each of `go_at_s` a person says
    `go` again, after what only a person may end.
    """

    name: str
    spec: str
    shows: str
    plan: CyclePlan = PLAN
    rate_hz: int = 1000
    seconds_max: float = 1200.0
    seed: int = 7
    torque_limit: Literal["stop", "warn"] = "stop"
    epochs: bool = False
    go_at_s: tuple[float, ...] = ()
    chunk_s: float = 3600.0


SCENES = (
    Scene("healthy", "pan15?seed=7", "two cycles of a good unit, F-B-F then B-F-B, ended by the plan"),
    Scene(
        "outage_and_cable",
        "pan15?seed=8&ring_bytes=32768&fault=cable@40s+60s*60,outage@154s+20s",
        "a bridge cable that opens and closes (railed samples), and a line lost for longer than the ring lasts",
        torque_limit="warn",
    ),
    Scene(
        "spall",
        "pan15?seed=9&fault=spall@1s*60",
        "a bearing spall that grows fast from the first turn on",
        plan=msgspec.structs.replace(PLAN, cycles=1),
    ),
    Scene(
        "guard_and_reset",
        "pan15?seed=10&fault=guard@152s+5s,reset@190s",
        "a guard opened during a pass, a person who lets the plan go on, then the device restarting: two epochs",
        epochs=True,
        go_at_s=(162.0, 205.0),
    ),
)


class UnsyncedFiles(RealFiles):
    """Real files whose syncs do nothing: what is made here can be made again."""

    @override
    def sync(self, path: str) -> None:
        """Nothing to wait for."""

    @override
    def sync_dir(self, path: str) -> None:
        """Nothing to wait for."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A finished recording below a data root."""

    root: Path
    fixture: str
    run: str
    segments: tuple[Path, ...]


def settings_of(scene: Scene) -> FixtureSettings:
    """The rig of a scene; one segment lasts as long as an epoch."""
    return FixtureSettings(
        id=FIXTURE,
        port=f"virtual:{scene.spec}",
        rate_hz=scene.rate_hz,
        after_restart="resume",
        chunk_s=scene.chunk_s,
        transducer=Transducer(serial="TR-204", factor_nm_per_v=4.0),
        encoder=Encoder(counts_per_rev=2**20, reference="absolute"),
        protect={
            "torque_nm": Limit(max=18.0, on_exceed=scene.torque_limit),
            "friction_nm": Limit(max=0.40),
        },
        shunt=Shunt(step_nm=8.0),
        plan=scene.plan,
    )


def record(scene: Scene, root: Path, start_utc_ns: int = START_UTC_NS) -> Recorded:
    """Run the scene through the live station in virtual time, at the live cadence, and leave a data root.

    Over a root that holds a run which has not ended, the run goes on, as after a restart of the host.
    """
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        run = runner.run(_night(scene, root, start_utc_ns))
    sealed = sorted((root / "journal" / FIXTURE / "sealed").glob("*.ntj"))
    return Recorded(root, FIXTURE, run, tuple(sealed))


async def _night(scene: Scene, root: Path, start_utc_ns: int) -> str:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    world = World(VirtualClock(loop, start_utc_ns), UnsyncedFiles(root), InlineOffload())
    settings = settings_of(scene)
    variants = root / "variants"
    variants.mkdir(parents=True, exist_ok=True)
    (variants / "pan15.toml").write_text(VARIANT, encoding="utf-8")
    append_card(root, FIXTURE, CARD)
    rng = np.random.default_rng([scene.seed, start_utc_ns])
    ids = itertools.count((start_utc_ns ^ scene.seed << 32) | 1, 2)
    journal = Journal(world.files, FIXTURE, world.clock, host_version="made", new_id=lambda: next(ids))
    beginning = recover(world.files, journal, FIXTURE).beginning
    opened = runs.opened(settings, CARD, root, root, world.clock, rng, beginning, Pace())
    port = port_for(settings, world.clock, PortLocks("make"))
    assert isinstance(port, VirtualPort)
    station = Station(FIXTURE, world, port, journal, (), Cadence())
    station.start(msgspec.structs.replace(opened, host_version="made"))
    saying_go = loop.create_task(say_go(station, CARD.operator, CARD.unit, port))
    for at_s in scene.go_at_s:
        loop.call_later(at_s, _go_again, station)
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(station.ended.wait(), scene.seconds_max)
    saying_go.cancel()
    await station.close()
    return opened.run


def _go_again(station: Station) -> None:
    """A person has looked at what was wrong, and at the cable where its travel is unknown."""
    if station.core.state.motion.travel is TravelPhase.UNKNOWN:
        station.command("confirm_travel_zero", CARD.operator)
    station.command("go", CARD.operator, CARD.unit)


def make(scene: Scene, into: Path) -> str:
    """Record a scene, put its tape and expectation into a folder, and say what came of it."""
    with tempfile.TemporaryDirectory() as scratch:
        made = record(scene, Path(scratch))
        tape = _place(scene, made, into)
    options = Options(accept=True, made_by=f"python replay_logs/make.py {scene.name}")
    replay_log(tape, "", "", options)
    outcome = replay_log(tape, "", "", Options())
    size = sum(path.stat().st_size for path in (tape.iterdir() if tape.is_dir() else (tape,)))
    assert outcome.identical, outcome.lines()
    assert size < BYTES_MAX, size
    return f"{scene.name}: {outcome.cycles} cycles, {outcome.samples} samples, {size / 1e6:.2f} MB"


def _place(scene: Scene, made: Recorded, into: Path) -> Path:
    """The tape in its place: one file, or a folder of segments where epochs change."""
    tape = into / f"{scene.name}.ntj"
    assert len(made.segments) == 1 + scene.epochs, made.segments
    if not scene.epochs:
        tape.write_bytes(_plain(made.segments[0]))
        return tape
    tape = into / scene.name
    shutil.rmtree(tape, ignore_errors=True)
    tape.mkdir(parents=True)
    for segment in made.segments:
        (tape / segment.name).write_bytes(_plain(segment))
    return tape


def _plain(segment: Path) -> bytes:
    """The tape uncompressed: what is committed depends on no version of a compressor."""
    return unpack(segment.read_bytes(), str(segment))[0]


def main(arguments: Sequence[str] | None = None) -> None:
    """Make the tapes that are named, or all of them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(scene.name for scene in SCENES))
    parser.add_argument("--into", type=Path, default=FOLDER)
    given = parser.parse_args(arguments)
    unknown = set(given.names) - {scene.name for scene in SCENES}
    if unknown:
        parser.error(f"no tape {', '.join(sorted(unknown))}")
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    given.into.mkdir(parents=True, exist_ok=True)
    for scene in SCENES:
        if not given.names or scene.name in given.names:
            typer.echo(make(scene, given.into))


if __name__ == "__main__":
    main()
