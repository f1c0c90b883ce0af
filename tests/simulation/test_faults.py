"""Whole stations over seeds and fault mixes: what is stored and what is a gap row is what the device made, in order."""

import asyncio
from pathlib import Path

import numpy as np
import pytest
from tests.simulation.lossy_port import Faults, LossyPort, Produced
from tests.simulation.scene import Scene, checked, open_scene, run, settings_of

from nightturn.acquisition.blocks import unpack
from nightturn.bench.virtual_port import VirtualPort
from nightturn.storage.runs import open_run
from nightturn.virtual.catalogue import from_spec

MIXES = {
    "drops": Faults(drop=0.05),
    "flips": Faults(flip=0.08),
    "repeats": Faults(repeat=0.05),
    "delays": Faults(delay=0.1),
    "garbage": Faults(garbage=0.02),
    "cuts": Faults(cut=0.004),
    "deaf": Faults(up_drop=0.2),
    "everything": Faults(0.02, 0.02, 0.02, 0.02, 0.01, 0.002, 0.05),
}


def play(root: Path, faults: Faults, seed: int, spec: str, seconds: float = 35.0) -> tuple[Scene, Produced]:
    kept: list[tuple[Scene, Produced]] = []

    async def act() -> None:
        produced: list[Produced] = []
        lossy: list[LossyPort] = []

        def wrap(port: VirtualPort) -> LossyPort:
            produced.append(Produced(port))
            lossy.append(LossyPort(port, faults, np.random.default_rng([seed, 1])))
            return lossy[0]

        settings = settings_of(after_restart="resume", chunk_s=25.0)
        scene = open_scene(
            root, settings=settings, device=from_spec(spec).build(1_000_000_000), wrap=wrap, seed=seed
        )
        await asyncio.sleep(seconds)
        lossy[0].quiet = True
        await asyncio.sleep(15.0)
        await scene.station.close()
        kept.append((scene, produced[0]))

    run(act)
    return kept[0]


def agree(root: Path, scene: Scene, produced: Produced) -> None:
    """Stored samples and gap rows of each boot against what the device made: all of them, in order, none altered."""
    (report,) = checked(root)
    assert report.stored + report.missing == report.produced
    frame = open_run(root).samples(columns=["epoch", "index", "tick", "torque_raw", "encoder", "inputs"])
    assert frame.index.is_monotonic_increasing
    exact = [gap for gap in scene.gaps if gap.exact]
    for epoch, blocks in enumerate(each for each in produced.boots if each):
        made = unpack(blocks, 1000)
        stored = frame[frame["epoch"] == epoch]
        index = stored["index"].to_numpy()
        assert (np.diff(index) > 0).all()
        first, last = int(index[0]), int(index[-1])
        missing = [np.arange(gap.index_from, gap.index_to) for gap in exact if gap.epoch == epoch]
        everything = np.sort(np.concatenate([index, *missing]))
        np.testing.assert_array_equal(everything, np.arange(everything[0], everything[-1] + 1))
        assert last - first + 1 <= len(made.index)
        place = np.searchsorted(made.index, index)
        for name, values in (("tick", made.tick), ("torque_raw", made.raw), ("encoder", made.encoder)):
            np.testing.assert_array_equal(stored[name].to_numpy(), values[place])
        np.testing.assert_array_equal(stored["inputs"].to_numpy(), made.inputs[place])


@pytest.mark.parametrize("mix", MIXES)
def test_every_sample_is_stored_or_a_gap_row_whatever_the_line_does(tmp_path: Path, mix: str) -> None:
    scene, produced = play(tmp_path, MIXES[mix], seed=3, spec="pan15?seed=3")
    agree(tmp_path, scene, produced)
    assert scene.station.losses.batches == 0


def test_what_a_small_ring_has_overwritten_is_a_gap_row(tmp_path: Path) -> None:
    faults = Faults(drop=0.05, cut=0.01)
    scene, produced = play(tmp_path, faults, seed=5, spec="pan15?seed=5&ring_bytes=2048&fault=outage@12s+2s")
    agree(tmp_path, scene, produced)
    assert scene.station.core.state.counts.missing > 1000


@pytest.mark.parametrize("seed", [1, 2])
def test_device_resets_and_outages_in_between_lose_nothing_unsaid(tmp_path: Path, seed: int) -> None:
    spec = f"pan15?seed={seed}&fault=reset@12s,outage@21s+6s,guard@31s+1s&drift_ppm=40"
    scene, produced = play(tmp_path, MIXES["everything"], seed, spec)
    agree(tmp_path, scene, produced)
    assert sum(not gap.exact for gap in scene.gaps) == 1
    assert scene.station.core.state.epoch.no == 1


@pytest.mark.long
@pytest.mark.parametrize("seed", range(10, 40))
@pytest.mark.parametrize("mix", MIXES)
def test_many_seeds_of_every_fault(tmp_path: Path, mix: str, seed: int) -> None:
    spec = f"pan15?seed={seed}&fault=reset@{10 + seed % 7}s,outage@{20 + seed % 5}s+{3 + seed % 11}s&ring_bytes=16384"
    scene, produced = play(tmp_path, MIXES[mix], seed, spec)
    agree(tmp_path, scene, produced)
