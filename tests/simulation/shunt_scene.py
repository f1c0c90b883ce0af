"""Whole runs with a shunt check: the rig, the device, and what came of it."""

from pathlib import Path

import msgspec
from tests.simulation.scene import PLAN, Scene, settings_of
from tests.simulation.tapes import records_of

from nightturn.fixture.core import Fixture
from nightturn.model.device import ShuntResult
from nightturn.model.rows import EventRow
from nightturn.settings.rig import FixtureSettings, Shunt
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, read_manifest
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice

START_NS = 1_000_000_000
CHECKED = Shunt(
    step_nm=8.0
)  # 109.2 kohm across 350 ohm, 5 V, gain 500, 4 N·m/V: see tests/virtual/test_plant.py
ONE_CYCLE = msgspec.structs.replace(PLAN, cycles=1)


def rig(shunt: Shunt = CHECKED, **changes: object) -> FixtureSettings:
    return settings_of(shunt=shunt, **{"plan": ONE_CYCLE, **changes})


def device(spec: str = "pan15?seed=7", entropy: int = 0) -> VirtualDevice:
    return from_spec(spec).build(START_NS, entropy)


def results(scene: Scene) -> list[ShuntResult]:
    return scene.station.core.state.shunt.results


def told(scene: Scene, kind: str) -> list[EventRow]:
    return [event for event in scene.events if event.kind == kind]


def shunt_on(scene: Scene) -> bool:
    """By the plant, not by what anybody believes."""
    scene.device.advance(scene.world.clock.monotonic_ns())
    return scene.device.plant.shunt


def manifest(root: Path, scene: Scene) -> Manifest:
    opened = scene.station.core.state.run.opened
    assert opened is not None
    return read_manifest(RealFiles(root), "pan-a1", opened.run)


def replayed_crc(root: Path) -> int:
    core = Fixture(1)
    for record in records_of(root):
        core.handle(record)
    return core.effects_crc
