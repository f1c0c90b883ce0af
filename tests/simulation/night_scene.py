"""A night of short cycles in which a unit's friction is what a test wants, cycle by cycle."""

import asyncio
import dataclasses
from collections.abc import Callable
from pathlib import Path

from tests.simulation.scene import FAST, VARIANT, Scene, open_scene, run, settings_of

from nightturn.model.nights import NightVerdict
from nightturn.settings.rig import CyclePlan, SlowTurn
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, newest_run, read_manifest
from nightturn.virtual.condition import Levels
from nightturn.virtual.device import VirtualDevice

LIMIT_NM = 0.25  # a good unit has some 0.21 N·m at this speed, a bad one 0.29
BAD = 2.0  # of a good unit's friction
ACCEPTED = f"{VARIANT}[accept]\nfriction_nm = {{ max = {LIMIT_NM}, at_rpm = 60.0 }}\n"
ARRIVED_COUNTS = FAST.encoder.counts_per_rev // 7200
CYCLE_S = 20.0  # more than one takes


def quick(cycles: int) -> CyclePlan:
    """So many cycles of slow turns alone."""
    return CyclePlan(slow_turn=SlowTurn(revolutions=2, speed_rpm=60.0), dwell_s=2.0, cycles=cycles)


def worn(device: VirtualDevice, is_bad: Callable[[], bool]) -> None:
    """Friction is that of a good unit, or of a bad one as long as this holds."""
    condition = device._rig.plant.condition
    own = condition.levels

    def levels() -> Levels:
        now = own()
        times = BAD if is_bad() else 1.0
        return dataclasses.replace(now, coulomb_nm=now.coulomb_nm * times, static_nm=now.static_nm * times)

    condition.levels = levels  # type: ignore[method-assign]  # the one unit of this scene


def cycle_to_come(scene: Scene) -> int:
    """Which cycle the shaft is in, from 0; from the moment at which it has arrived at the end of one the next.

    By the shaft and not by the figures, which come later: a friction that doubles within a pass is no cycle's.
    """
    state = scene.station.core.state
    planner = state.motion.planner
    last = planner.commanded and planner.move_no == len(planner.moves) - 1
    return planner.cycles_done + (last and abs(state.watch.position - planner.target) <= ARRIVED_COUNTS)


def night(
    root: Path,
    planned: int,
    bad: range = range(0),
    *,
    until: int | None = None,
    end: Callable[[Scene], None] | None = None,
    again: bool = False,
    **scene_of: object,
) -> Scene:
    """A station until its run has ended by its plan, or until so many cycles are finished and `end` ends it.

    `bad` are the cycles, counted from 0, in which the unit is worn. `again`: it goes on behind a host restart with a device whose clock begins
    anew, so a person says `go` once more.
    """
    kept: list[Scene] = []
    settings = settings_of(plan=quick(planned), after_restart="resume", chunk_s=200.0)

    async def act() -> None:
        scene = open_scene(root, **{"settings": settings, "variant": ACCEPTED, **scene_of})  # type: ignore[arg-type]  # keywords passed on
        kept.append(scene)
        done = scene.station.core.state.run.night.night
        worn(scene.device, lambda: cycle_to_come(scene) in bad)
        if again:
            await scene.until(lambda: scene.count("time_locked") == 1)
            scene.go()
        wanted = planned if until is None else until
        limit_s = CYCLE_S * max(wanted - done.cycles, 0) + 60.0
        if until is None:
            await scene.until(scene.station.ended.is_set, limit_s)
        else:
            await scene.until(lambda: scene.station.core.state.run.night.night.cycles >= until, limit_s)
        if end is None:
            await scene.station.close()
        else:
            end(scene)
        await asyncio.sleep(1.0)

    run(act)
    return kept[0]


def verdict_of(scene: Scene) -> NightVerdict:
    """What the core says."""
    found = scene.station.core.state.run.night.verdict
    assert found is not None
    return found


def manifest_of(root: Path) -> Manifest:
    """The newest run's."""
    files = RealFiles(root)
    return read_manifest(files, FAST.id, newest_run(files, FAST.id))
