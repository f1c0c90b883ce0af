"""Chunks of several fixtures that began together are cut one after the other, and a replay cuts them at the same records."""

import asyncio
import itertools
from pathlib import Path

import pytest
from tests.simulation.scene import checked, open_scene, run, settings_of

from nightturn.bench.runs import Pace
from nightturn.fixture.chunks import SHORTEST_PART
from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_run
from nightturn.storage import paths
from nightturn.storage.runs import open_run

LENGTH_S = 12.0
PLACES = {"pan-a1": 0.0, "pan-a2": 1 / 3, "pan-b1": 2 / 3}
SECONDS = 50.0


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three fixtures that were opened at the same moment."""
    folder = tmp_path_factory.mktemp("apart") / "nights"

    async def act() -> None:
        scenes = [
            open_scene(
                folder,
                settings=settings_of(id=name, chunk_s=LENGTH_S, port=f"virtual:pan15?seed={seed}"),
                pace=Pace(tile_samples=100, cut_phase=place),
            )
            for seed, (name, place) in enumerate(PLACES.items())
        ]
        await asyncio.sleep(SECONDS)
        for scene in scenes:
            await scene.station.close()

    run(act)
    return folder


def ends_s(root: Path, fixture: str) -> list[float]:
    """When each chunk but the last ended, seconds of the fixtures' clock."""
    chunks = open_run(root, fixture).chunks(paths.RAW)[:-1]
    return [(span[1] - 1_777_917_600_000_000_000) / 1e9 for each in chunks if (span := each.span) is not None]


def test_no_two_fixtures_are_cut_in_the_same_second(root: Path) -> None:
    ends = {fixture: ends_s(root, fixture) for fixture in PLACES}
    assert all(len(each) >= 3 for each in ends.values())
    everyone = sorted(at for each in ends.values() for at in each)
    assert min(b - a for a, b in itertools.pairwise(everyone)) > LENGTH_S / 3 - 1
    for each in ends.values():
        lengths = [b - a for a, b in zip([0.0, *each], each, strict=False)]
        assert lengths[1:] == pytest.approx([LENGTH_S] * len(lengths[1:]), abs=0.5)
        assert SHORTEST_PART * LENGTH_S - 0.5 <= lengths[0] <= (1 + SHORTEST_PART) * LENGTH_S + 0.5


@pytest.mark.parametrize("fixture", sorted(PLACES))
def test_their_tapes_replay_identical(root: Path, fixture: str) -> None:
    seen = replay(tape_of_run(root, fixture, "latest"))
    assert not seen.first_difference


def test_nothing_is_missing(root: Path) -> None:
    for report in checked(root):
        assert report.stored == report.produced
