"""What is missing between two starts of the host is counted by the device, whatever the wall clock says meanwhile."""

import asyncio
import dataclasses
from pathlib import Path

import pytest
from tests.bench.test_recovery import killed
from tests.simulation.scene import Scene, checked, open_scene, run, settings_of

from nightturn.model.rows import GapRow
from nightturn.storage.runs import open_run
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice

SETTINGS = settings_of(after_restart="stay", chunk_s=20.0)
AWAY_S = 30.0
RING_S = 12.0  # the ring of the virtual device holds a little less at this rate


def two_hosts(root: Path, later_s: float, between: str = "") -> tuple[Scene, GapRow]:
    """A host that is killed, and another one some seconds later, whose wall clock may say anything, on one device."""
    kept: list[Scene] = []

    async def played() -> None:
        first = open_scene(root, settings=SETTINGS)
        await asyncio.sleep(20.0)
        killed(first)
        device: VirtualDevice = first.device
        sampler = device._firmware.sampler
        if between == "another rate":
            sampler.apply(dataclasses.replace(sampler.setup, rate_hz=500))
        elif between == "another boot":
            device = from_spec("pan15?seed=7").build(first.world.clock.monotonic_ns(), 2)
        await asyncio.sleep(AWAY_S)
        device.advance(first.world.clock.monotonic_ns())
        second = open_scene(root, settings=SETTINGS, device=device, later_s=later_s)
        kept.append(second)
        await asyncio.sleep(15.0)
        await second.station.close()

    run(played)
    (row,) = [gap for gap in kept[0].gaps if gap.cause == "restart"]
    return kept[0], row


@pytest.mark.parametrize("later_s", [0.0, -30.0, 3600.0])
def test_over_a_host_restart_the_device_counts_what_is_missing_whatever_the_wall_clock_does(
    tmp_path: Path, later_s: float
) -> None:
    """By the wall clock it was none where that went back, and 3.6 million where it went ahead by an hour."""
    scene, row = two_hosts(tmp_path, later_s)
    frame = open_run(tmp_path).samples(columns=["epoch", "index"])
    before, behind = frame["index"][frame["epoch"] == 0], frame["index"][frame["epoch"] == 1]
    between = int(behind.iloc[0]) - int(before.iloc[-1]) - 1

    assert (row.epoch, row.n_missing, row.exact) == (1, between, True)
    assert (row.index_from, row.index_to) == (int(before.iloc[-1]) + 1, int(behind.iloc[0]))
    assert (AWAY_S - RING_S) * 1000 <= between <= AWAY_S * 1000  # the rest was fetched from the ring
    assert scene.station.core.state.counts.missing == between
    (report,) = checked(tmp_path)
    assert (report.missing, report.missing_by_time) == (between, 0)
    assert report.produced == report.stored + between


def test_a_device_that_was_set_up_otherwise_meanwhile_says_it_by_its_ticks(tmp_path: Path) -> None:
    _, row = two_hosts(tmp_path, -30.0, "another rate")
    assert not row.exact
    assert (
        (AWAY_S - 2 * RING_S) * 1000 <= row.n_missing <= AWAY_S * 1000
    )  # half as many samples a second in the ring
    assert (checked(tmp_path)[0].missing, checked(tmp_path)[0].missing_by_time) == (0, row.n_missing)


def test_another_boot_has_no_count_to_go_by(tmp_path: Path) -> None:
    _, row = two_hosts(tmp_path, 0.0, "another boot")
    assert not row.exact
    assert AWAY_S * 1000 <= row.n_missing <= (AWAY_S + 2) * 1000  # the wall clock was right
