"""Half a minute with an emulated microcontroller: the firmware of `protocol/device` under QEMU, recorded in real time.

The station, the tape and the figures are those of `serve`; only the port is QEMU's pty.
"""

import asyncio
import contextlib
import datetime as dt
import os
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np

from nightturn.bench import runs
from nightturn.bench.locks import PortLocks, own_root
from nightturn.bench.ports import port_for
from nightturn.bench.recovery import recover, start_anew
from nightturn.bench.runs import Pace
from nightturn.bench.sinks import Tally
from nightturn.bench.station import Cadence, Station
from nightturn.bench.worlds import real_world, shut_down
from nightturn.demo.emulator import Emulator
from nightturn.demo.night import Night
from nightturn.demo.operator import say_go
from nightturn.demo.scenario import BENCH_HEAD, CARDS, SERIAL, STAND, VARIANT, write_files
from nightturn.settings.load import append_card, data_root, load_rig
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.journal import Journal
from nightturn.version import VERSION
from nightturn.world import World

FIXTURE = "pan-a1"
SECONDS = 30.0
STEP_S = 5.0
CONTROL_S = 0.2  # a lease of a second: QEMU and the station may share a busy computer
STOP_S = 20.0  # for whatever the core still does before its run is over
TILES_PER_S = 10  # protective limits act on a tile
NOBODY = "no broker"
COMMAND = "nightturn demo"

RIG = (
    BENCH_HEAD
    + """
[[fixture]]
id = "pan-a1"
port = "{port}"                        # QEMU's pty, another one each time
rate_hz = 5000
after_restart = "stay"
guard = "none"                         # nobody can open the guard of an emulated board
ramp_rad_per_s2 = 20.0

[fixture.protect]
torque_nm = {{ max = 18.0, on_exceed = "stop" }}

[fixture.plan]                         # short: this night has half a minute
slow_turn = {{ revolutions = 2, speed_rpm = 60.0 }}
hold = {{ torque_nm = 5.0, revolutions = 3, speed_rpm = 60.0 }}
cycles = 2
"""
    + STAND
)

SEED = 11

# The unit of the night, accepted at the speed of this rig: viscous friction grows with it.
AT_60_RPM = VARIANT.replace("at_rpm = 5.0", "at_rpm = 60.0").replace("max = 0.150", "max = 0.250")

OnProgress = Callable[[float, Station], None]


def run_emulated(
    folder: Path, seconds: float, qemu: str, firmware: Path, on_progress: OnProgress
) -> tuple[Night, Path]:
    """Start QEMU, record from it for so many seconds, and return what was recorded and the rig file.

    Raises:
        NightturnError: QEMU does not start, or the folder cannot be written.
    """
    with Emulator(qemu, firmware) as emulator:
        bench = write_files(
            folder, RIG.format(port=emulator.line, seed=SEED), [SERIAL.format(seed=SEED)], AT_60_RPM
        )
        root = data_root(bench, load_rig(bench))
        owned = own_root(root, COMMAND)
        try:
            return asyncio.run(_record(bench, seconds, on_progress)), bench
        finally:
            owned.release()


async def _record(bench: Path, seconds: float, on_progress: OnProgress) -> Night:
    rig = load_rig(bench)
    root = data_root(bench, rig)
    world, tally = real_world(root), Tally()
    locks = PortLocks(COMMAND)
    station, run = _station(bench, rig.fixture[0], root, world, tally, locks)
    saying_go = asyncio.create_task(say_go(station, CARDS[FIXTURE].operator, CARDS[FIXTURE].unit, None))
    started_s = time.monotonic()
    while (spent_s := time.monotonic() - started_s) < seconds and not station.ended.is_set():
        await asyncio.sleep(min(STEP_S, seconds - spent_s))
        on_progress(time.monotonic() - started_s, station)
    saying_go.cancel()
    station.command("stop", "the demo's end")
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(station.ended.wait(), STOP_S)
    await station.close()
    locks.release()
    shut_down(world)
    spent_s = time.monotonic() - started_s
    return Night(
        rig, bench, root, tally, {FIXTURE: run}, NOBODY, 0, spent_s, station.core.state.counts.samples
    )


def _station(
    bench: Path, settings: FixtureSettings, root: Path, world: World, tally: Tally, locks: PortLocks
) -> tuple[Station, str]:
    """A station whose run is open, and the run's id."""
    mounted = dt.datetime.fromtimestamp(world.clock.utc_ns() // 1_000_000_000, tz=dt.UTC).isoformat()
    card = msgspec.structs.replace(CARDS[FIXTURE], mounted_utc=mounted)
    append_card(root, FIXTURE, card)
    journal = Journal(world.files, FIXTURE, world.clock, catalogue=Catalogue(root), host_version=VERSION)
    beginning = start_anew(world.files, FIXTURE, recover(world.files, journal, FIXTURE), world.clock.utc_ns())
    rng = np.random.default_rng(int.from_bytes(os.urandom(8), "little"))
    pace = Pace(round(CONTROL_S * 1000), tile_samples=settings.rate_hz // TILES_PER_S)
    opened = runs.opened(settings, card, bench.parent, root, world.clock, rng, beginning, pace)
    port = port_for(settings, world.clock, locks)
    station = Station(FIXTURE, world, port, journal, [tally], Cadence(CONTROL_S))
    station.start(opened)
    return station, opened.run
