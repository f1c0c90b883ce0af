"""A stop at any moment of a run's end: OFF leaves once more, and the answer says what the fixture is doing."""

from dataclasses import dataclass
from pathlib import Path

from tests.simulation.scene import CARD, Scene, open_scene, run
from tests.simulation.shunt_scene import device, results, rig

from nightturn.bench.station import Station
from nightturn.daemon.control import Control
from nightturn.daemon.control_client import new_request
from nightturn.daemon.control_protocol import PAUSE, STOP, Answer
from nightturn.fixture.owners.run import RunPhase
from nightturn.model.cards import MountCard
from nightturn.settings.rig import FixtureSettings


@dataclass
class Held:
    """A fixture's watch with one run that is open."""

    station: Station
    settings: FixtureSettings
    card: MountCard | None = CARD
    standby: bool = False

    def take_card(self, newest: MountCard) -> int | None:
        raise AssertionError(f"no card is written here: {newest}")

    def when_open(self, name: str, by: str) -> bool:
        raise AssertionError(f"a run is open: {name} by {by}")


async def told_to(scene: Scene, command: str, operator: str = "A. Roe") -> Answer:
    """The answer to a command of this person, as over the control socket."""
    control = Control({"pan-a1": Held(scene.station, rig())}, scene.root, scene.world)
    return await control(new_request(command, "pan-a1", operator=operator))


def test_a_stop_during_the_last_check_sends_off_again_and_says_that_the_run_had_ended(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        await scene.until(lambda: scene.count("shunt_on") == 2)
        assert scene.station.core.state.run.phase is RunPhase.ENDING
        numbered = scene.station.core.state.motion.planner.command_no
        answer = await told_to(scene, STOP)
        assert scene.station.core.state.motion.planner.command_no == numbered + 2  # OFF for both axes
        assert answer.ok
        assert answer.state == "ended: stopped by R. Vale; stop by A. Roe changes nothing while ended"
        assert answer.kept is not None
        assert "asked to end once more" in results(scene)[-1].why
        await scene.until(scene.station.ended.is_set, 3)
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.reason == "stopped by R. Vale"
        await scene.station.close()

    run(act)


def test_a_pause_that_changes_nothing_is_answered_so_and_the_next_command_begins_anew(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device(), go=False)
        await scene.until(lambda: scene.station.core.state.device.streams)
        answer = await told_to(scene, PAUSE)
        assert answer.ok
        assert answer.state == "locked: no permission yet; pause by A. Roe changes nothing while locked"
        (event,) = [event for event in scene.events if event.kind == "command_ignored"]
        assert event.detail == "pause by A. Roe changes nothing while locked: no permission yet"
        answer = await told_to(scene, STOP)
        assert answer.state == "ended: stopped by A. Roe"
        await scene.station.close()

    run(act)
