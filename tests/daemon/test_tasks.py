"""A card with a task: its run has the task's plan, ends when it has what it wants, and begins beside no other run."""

import json
import os
from pathlib import Path

import msgspec
import pytest
from tests.daemon.test_stop_answered import Held
from tests.settings.bench_folder import write_bench
from tests.simulation.scene import CARD, FAST, PLAN, Scene, checked, open_scene, run, settings_of

from nightturn.bench.locks import own_root, us
from nightturn.cli.measure_text import show_measured
from nightturn.daemon.alone import daemon_answers, daemon_for, of_one, open_run_of
from nightturn.daemon.control import Control
from nightturn.daemon.control_client import new_request
from nightturn.daemon.control_protocol import MOUNT, STATUS, Answer
from nightturn.daemon.newer_card import against_go
from nightturn.errors import ConfigError, NightturnError
from nightturn.model.cards import MountCard
from nightturn.model.tasks import REACHED, MeasureTask
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.motion.permission import MotionState
from nightturn.report.measurement import COLD, Measurement, measurement_of
from nightturn.settings.load import append_card, load_rig, read_card
from nightturn.settings.rig import Conditioning, Hold
from nightturn.settings.tasks import MEASURE_TURNS_MIN, under_task
from nightturn.storage.runs import found_runs, open_run

TASK = MeasureTask(figures=("zero_nm", "friction_nm"), until_pct=10.0, cycles=4, request="7")
MEASURING = msgspec.structs.replace(CARD, task=TASK)


def test_a_card_without_a_task_is_written_as_before_there_were_tasks() -> None:
    assert b"task" not in msgspec.json.encode(CARD)
    assert msgspec.json.decode(msgspec.json.encode(MEASURING), type=MountCard) == MEASURING


def test_the_plan_is_the_tasks_and_what_protects_is_the_rigs() -> None:
    found = under_task(FAST, MEASURING)
    assert (found.plan.exercise.strokes, found.plan.cycles) == (0, 4)
    assert found.plan.slow_turn.revolutions == MEASURE_TURNS_MIN
    assert found.plan.hold == Hold(torque_nm=5.0, revolutions=MEASURE_TURNS_MIN, speed_rpm=30.0)
    assert msgspec.structs.replace(found, plan=FAST.plan) == FAST
    assert under_task(FAST, CARD) is FAST
    assert under_task(FAST, None) is FAST


def test_a_warm_up_is_turned_only_where_it_is_asked_for_and_refused_where_there_is_none() -> None:
    warm = msgspec.structs.replace(MEASURING, task=msgspec.structs.replace(TASK, warm=True))
    with pytest.raises(ConfigError, match="has no warm-up"):
        under_task(FAST, warm)
    warm_up = Conditioning(hours=0.5, speed_rpm=12.0)
    rig = settings_of(plan=msgspec.structs.replace(PLAN, warm_up=warm_up))
    assert under_task(rig, warm).plan.warm_up == warm_up
    assert under_task(rig, MEASURING).plan.warm_up is None


def test_a_card_of_the_same_unit_without_the_task_does_not_only_confirm_its_travel() -> None:
    night = msgspec.structs.replace(CARD, mounted_utc="2026-05-04T19:00:00Z")
    assert "confirms the travel zero" in against_go("pan-a1", night, CARD)
    assert "a newer card was written" in against_go("pan-a1", night, MEASURING)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Measurement, Scene, Answer]:
    """A measurement of the virtual fixture to its end, and what the daemon answered before."""
    root = tmp_path_factory.mktemp("measured")
    scenes: list[Scene] = []
    answers: list[Answer] = []

    async def act() -> None:
        settings = under_task(FAST, MEASURING)
        scene = open_scene(root, settings=settings, card=MEASURING)
        control = Control({"pan-a1": Held(scene.station, settings, MEASURING)}, scene.root, scene.world)
        await scene.until(lambda: scene.count("motion_started") == 1)
        again = msgspec.structs.replace(
            new_request(MOUNT, "pan-a1", "A. Roe", unit="Q-0118"), variant="pan15", task=TASK
        )
        answers.append(await control(again))
        await scene.until(lambda: scene.station.core.state.motion.planner.cycles_done == 1)
        await scene.until(lambda: bool(scene.station.core.state.run.measured.figures))
        answers.append(await control(new_request(STATUS, "pan-a1")))
        await scene.until(lambda: scene.motion == MotionState.ENDED.value)
        await scene.until(scene.station.ended.is_set)
        assert not scene.moving
        await scene.station.let_go()
        await scene.station.close()
        scenes.append(scene)

    run(act)
    (summary,) = found_runs(root, "latest")
    found = measurement_of(open_run(root, "pan-a1", summary.run), summary)
    assert answers[0].problem.startswith("stop it first")
    return root, found, scenes[0], answers[1]


def test_it_ends_when_every_wanted_interval_is_reached_and_stays_a_whole_run(
    measured: tuple[Path, Measurement, Scene, Answer],
) -> None:
    root, found, scene, _ = measured
    assert found.ended == "measured: every wanted ± is reached"
    assert {each.word for each in found.figures} == {REACHED}
    assert 2 <= found.figures[0].judged < TASK.cycles
    friction = open_run(root, "pan-a1", found.run).cycles()
    # the torque of the hold before it would make that a thousand times larger
    assert friction["friction_nm_u"].iloc[1] < 5 * friction["friction_nm_u"].iloc[0]
    assert found.warmth.startswith(COLD)
    assert found.picture is not None
    verdict = scene.station.core.state.run.night.verdict
    assert verdict is not None
    assert verdict.word == NOT_JUDGED
    assert verdict.reasons == ("a measurement, not a night: nothing is accepted or rejected by it",)
    checked(root)


def test_while_it_turns_the_daemon_says_how_far_it_is(
    measured: tuple[Path, Measurement, Scene, Answer],
) -> None:
    _, found, _, answer = measured
    assert answer.run == found.run
    assert [each.figure for each in answer.measured] == list(TASK.figures)
    assert answer.measured[1].judged == 1


def test_what_is_printed_has_each_figure_its_budget_and_how_warm_it_was(
    measured: tuple[Path, Measurement, Scene, Answer], capsys: pytest.CaptureFixture[str]
) -> None:
    root, found, _, _ = measured
    show_measured(found, root, root / "turn.svg", as_json=False)
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    for words in (
        "friction_nm",
        "zero_nm",
        ": reached",
        "between cycles",
        COLD,
        "kept as a run of its own",
    ):
        assert words in out
    show_measured(found, root, root / "turn.svg", as_json=True)
    said = json.loads(capsys.readouterr().out)
    assert [each["figure"] for each in said["figures"]] == list(TASK.figures)
    assert said["budgets"][0]["lines"]


def test_no_task_begins_beside_an_open_run_nor_while_one_is_about_to_open(tmp_path: Path) -> None:
    request = msgspec.structs.replace(
        new_request(MOUNT, "pan-a1", "R. Vale", unit="Q-0117"), variant="pan15", travel_zero=True, task=TASK
    )

    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        held = Held(scene.station, FAST)
        answer = await Control({"pan-a1": held}, scene.root, scene.world)(request)
        assert "a run of Q-0117 is open on pan-a1, and measure takes a run of its own" in answer.problem
        held.card = None
        answer = await Control({"pan-a1": held}, scene.root, scene.world)(request)
        assert "about to be opened or closed" in answer.problem
        assert read_card(tmp_path, "pan-a1") == CARD
        assert open_run_of(tmp_path, "pan-a1").startswith("run ")  # what a command without a daemon reads
        await scene.station.let_go()
        await scene.station.close()

    run(act)


def test_without_a_daemon_a_card_that_waits_for_its_night_is_not_taken_away(tmp_path: Path) -> None:
    assert open_run_of(tmp_path, "pan-a1") == ""
    append_card(tmp_path, "pan-a1", CARD)
    assert open_run_of(tmp_path, "pan-a1").startswith(
        "Q-0117 is mounted on pan-a1 for a run that has not begun"
    )
    with (
        pytest.raises(NightturnError, match="refused: Q-0117 is mounted"),
        daemon_for(Path(), tmp_path, "pan-a1"),
    ):
        pass


def test_the_name_that_a_daemon_left_is_not_taken_for_a_daemon(tmp_path: Path) -> None:
    lock = own_root(tmp_path, "nightturn serve")
    lock.note(us("nightturn serve", str(tmp_path / "control.sock")))
    assert daemon_answers(tmp_path)
    os.close(lock.descriptor)  # as the end of its process does
    assert not daemon_answers(tmp_path)


def test_a_daemon_for_one_fixture_serves_it_alone(tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    rig = load_rig(bench)
    found = of_one(rig, rig.fixture[0].id, str(bench))
    assert [each.id for each in found.fixture] == [rig.fixture[0].id]
    assert (found.mqtt, found.web, found.notify, found.bench.workers) == (None, None, None, 1)
    with pytest.raises(ConfigError):
        of_one(rig, "pan-zz", str(bench))
