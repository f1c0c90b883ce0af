"""One turn a pass: what friction borrows from earlier cycles is the same live, in both replays and from any snapshot."""

import asyncio
from pathlib import Path

import pytest
from tests.replay.comparing import sums_and_figures
from tests.simulation.scene import FAST, Scene, open_scene, run, settings_of

from nightturn.model.figures import CycleRecord
from nightturn.replay.figures import replay_figures
from nightturn.replay.full import replay
from nightturn.replay.tapes import Tape, tape_of_run

CYCLES = 13


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[CycleRecord], Tape]:
    """A live run over several segments, and its tape."""
    root: Path = tmp_path_factory.mktemp("borrowed")
    kept: list[Scene] = []

    async def act() -> None:
        scene = open_scene(root, settings=settings_of(chunk_s=60.0))
        kept.append(scene)
        await scene.until(lambda: len(scene.tally.cycles.get(FAST.id, [])) >= CYCLES, 30.0 * CYCLES)
        await scene.station.close()
        await asyncio.sleep(1.0)

    run(act)
    cycles = kept[0].tally.cycles[FAST.id]
    tape = tape_of_run(root, FAST.id, cycles[0].run)
    assert len(tape.files) >= 4
    return cycles, tape


def test_friction_has_u_of_its_own_and_behind_five_cycles_of_its_direction_the_wider_one(
    played: tuple[list[CycleRecord], Tape],
) -> None:
    cycles, _ = played
    with_u = [cycle.cycle_no for cycle in cycles if cycle.figure("friction_nm").u is not None]
    assert with_u == list(
        range(1, CYCLES + 1)
    )  # of its own, from parts of its turns, until the borrowed one is wider
    for cycle in cycles[:10]:
        assert cycle.figure("friction_nm").reasons == ()
    for cycle in cycles[10:]:
        assert cycle.figure("friction_nm").reasons == ("U from the scatter of 5 previous cycles.",) or (
            cycle.figure("friction_nm").reasons == ("U from the scatter of 6 previous cycles.",)
        )
        assert cycle.figure("ripple_pp_nm").u is None


@pytest.mark.parametrize("tile_samples", [None, 777])
def test_full_replay_borrows_the_same(
    played: tuple[list[CycleRecord], Tape], tile_samples: int | None
) -> None:
    cycles, tape = played
    again = replay(tape, tile_samples, splits=(500, 3001, 3002, 5000))
    assert sums_and_figures(again.rows.cycles) == sums_and_figures(cycles)


def test_figures_replay_borrows_the_same(played: tuple[list[CycleRecord], Tape]) -> None:
    cycles, tape = played
    assert sums_and_figures(replay_figures(tape).cycles) == sums_and_figures(cycles)


def test_a_replay_that_begins_at_a_later_segment_borrows_the_same(
    played: tuple[list[CycleRecord], Tape],
) -> None:
    cycles, tape = played
    late = Tape(tape.name, tape.files[-2:], tape.run)
    found = sums_and_figures(replay(late).rows.cycles)
    assert found
    assert found == sums_and_figures(cycles)[-len(found) :]
