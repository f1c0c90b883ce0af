"""Who the device says it is: asked once for each boot, told, and kept with the run."""

import asyncio
from pathlib import Path

from tests.simulation.scene import open_scene, run
from tests.simulation.shunt_scene import device, manifest, results, rig, told

from nightturn.model.verdicts import MET


def test_a_restarted_device_is_asked_and_checked_again(tmp_path: Path) -> None:
    async def act() -> None:
        settings = rig(after_restart="resume")
        scene = open_scene(tmp_path, settings=settings, device=device("pan15?seed=7&fault=crash@12s"))
        await scene.until(lambda: scene.count("session_up") == 2)
        await asyncio.sleep(30.0)
        assert (scene.motion, scene.moving) == ("locked", False)  # a new boot waits for a person
        assert scene.why_locked == ["the device restarted"]
        scene.station.command("confirm_travel_zero", "R. Vale")  # its encoder tells one turn
        scene.go()
        await scene.until(scene.station.ended.is_set, 200)
        await scene.station.close()
        assert [(each.when, each.epoch) for each in results(scene)] == [
            ("start", 0),
            ("start", 1),
            ("end", 1),
        ]
        assert [each.outcome for each in results(scene)] == [MET] * 3
        assert scene.count("firmware") == 2
        (crash,) = told(scene, "crash_recorded")
        assert crash.severity == "warning"
        assert "program counter 08001a2c, link register 08001a11, cause 3" in crash.detail
        before, after = manifest(tmp_path, scene).devices
        assert not before.crashed
        assert (after.crashed, after.crash_pc, after.reset_cause) == (True, 0x0800_1A2C, 4)
        assert before.boot_id != after.boot_id

    run(act)


def test_a_failed_self_test_is_a_warning_that_names_it(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device("pan15?seed=7&self_test=5"))
        await scene.until(lambda: scene.moving)
        (warning,) = told(scene, "self_test_failed")
        assert (warning.severity, warning.value) == ("warning", 5.0)
        assert warning.detail == "the device's self-test failed: CRC-32C (test 0), device sheet (test 2)"
        (facts,) = told(scene, "firmware")
        assert "self-test failed" in facts.detail
        await scene.station.close()
        assert manifest(tmp_path, scene).devices[0].self_test == 5

    run(act)


def test_the_firmware_is_asked_for_once_a_boot_also_over_a_lost_line(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(after_restart="resume"), device=device())
        await scene.until(lambda: scene.moving)
        scene.station._line.lost("the cable was pulled")
        await scene.until(lambda: scene.count("session_up") == 2)
        await scene.until(lambda: scene.moving)
        assert scene.count("firmware") == 1
        assert len(results(scene)) == 1  # nor is the same boot checked again
        await scene.station.close()

    run(act)
