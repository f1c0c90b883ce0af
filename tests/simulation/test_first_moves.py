"""The first moves of a bring-up on virtual rigs with known errors: one move for each `go`, never more than its bounds, each error by its name."""

from pathlib import Path

import msgspec
import pytest
from tests.simulation.scene import CARD, Scene, open_scene, run, settings_of

from nightturn.estimation.first_moves import Step
from nightturn.model.tasks import FirstMovesTask
from nightturn.report.first_moves import FirstFound, Seen, found_of, judged
from nightturn.settings.tasks import under_task
from nightturn.storage.runs import open_run

MOVING = msgspec.structs.replace(CARD, task=FirstMovesTask(rated_torque_nm=15.0, request="7"))


def turned(tmp_path: Path, port: str, seen: Seen) -> tuple[FirstFound, list[str]]:
    """Both moves, each permitted, as far as they come; what was found, and the kinds of events."""
    rig = settings_of(port=f"virtual:pan15?{port}")
    kinds: list[str] = []

    async def act() -> None:
        scene = open_scene(tmp_path, settings=under_task(rig, MOVING), card=MOVING, go=False)
        await scene.until(lambda: scene.station.core.state.watch.inputs_tick >= 0)
        await scene.guard_tried()
        start = scene.device.plant.position_counts
        for _ in range(2):
            await permitted(scene)
            await scene.until(lambda: scene.motion == "locked" or scene.station.ended.is_set())
            away_deg = abs(scene.device.plant.position_counts - start) / 2**20 * 360
            assert away_deg <= 10.0
            if scene.station.ended.is_set():
                break
        await scene.until(scene.station.ended.is_set)
        assert not scene.moving
        kinds.extend(scene.kinds)
        await scene.station.let_go()
        await scene.station.close()

    run(act)
    return found_of(open_run(tmp_path, "pan-a1"), seen, rig), kinds


async def permitted(scene: Scene) -> None:
    """A person's `go`, once the last one's motion has ended."""
    await scene.until(lambda: scene.motion == "locked")
    scene.go()
    await scene.until(lambda: scene.motion == "turning")


def lines(found: FirstFound) -> list[str]:
    return [each.line for each in found.proposals]


def test_a_right_rig_turns_out_and_back_one_move_for_each_go_and_nothing_follows(tmp_path: Path) -> None:
    found, kinds = turned(tmp_path, "seed=7", Seen.YES)
    assert [kind for kind in kinds if kind.startswith("first_move")] == [
        "first_move_out",
        "first_move_done",
        "first_move_back",
        "first_move_done",
    ]
    assert kinds.count("motion_started") == 2
    assert found.out_deg == pytest.approx(6.0, abs=0.1)
    assert found.back_deg == pytest.approx(-6.0, abs=0.1)
    assert found.clear
    assert lines(found) == []
    assert found.step.nm == pytest.approx(-0.095, abs=0.03)  # friction of the virtual unit near 0.5 rpm
    assert found.step.half_nm < 0.02


def test_a_reversed_torque_sign_is_found_by_name(tmp_path: Path) -> None:
    found, _ = turned(tmp_path, "seed=7&polarity=-1", Seen.YES)
    assert not found.clear
    assert lines(found) == ["polarity = -1"]
    assert "torque sign: reversed" in found.said


def test_an_encoder_against_the_drive_is_stopped_within_the_first_degrees(tmp_path: Path) -> None:
    found, kinds = turned(tmp_path, "seed=7&encoder=-1", Seen.YES)
    assert kinds.count("first_move_astray") == 1
    assert kinds.count("motion_started") == 1
    assert found.out_deg is not None
    assert -3.0 < found.out_deg < -1.0
    assert "wrong sense" in found.ended
    assert "encoder direction: reversed to the drive" in found.said[0]
    assert lines(found) == []
    assert not found.clear


@pytest.mark.parametrize(
    ("nm", "seen", "expected"),
    [
        (-0.1, Seen.YES, []),
        (0.1, Seen.YES, ["polarity = -1"]),
        (0.1, Seen.NO, ["sense = -1"]),  # the angle alone is reversed
        (-0.1, Seen.NO, ["sense = -1", "polarity = -1"]),
        (0.1, Seen.UNSEEN, []),
        (0.005, Seen.YES, []),  # within its ±
    ],
)
def test_what_the_eyes_saw_decides_which_of_two_senses_is_reversed(
    nm: float, seen: Seen, expected: list[str]
) -> None:
    said, proposals, clear = judged(6.0, Step(nm, 0.01), seen, settings_of())
    assert [each.line for each in proposals] == expected
    assert clear == (nm == -0.1 and seen is Seen.YES)
    assert any("not known" in text for text in said) == (seen is Seen.UNSEEN or abs(nm) < 0.01)


def test_a_shaft_that_did_not_turn_says_nothing() -> None:
    for out_deg in (None, 0.2):
        said, proposals, clear = judged(out_deg, Step(-0.1, 0.01), Seen.YES, settings_of())
        assert ("did not turn" in said[0], proposals, clear) == (True, (), False)
