"""The demo's stories: what befalls whom, a plan that conditions a unit, and the person who looks at it when it is parked."""

import asyncio
import json
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from nightturn.bench.station import Station
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.demo.operator import INSPECTION_S, ROUND_S, look_when_parked
from nightturn.demo.scenario import write_scene
from nightturn.demo.stories import CONDITIONED, PARK_EVERY, Story
from nightturn.motion.permission import Cause, MotionState
from nightturn.outlook.plan import outlook
from nightturn.settings.load import load_rig, load_variant
from nightturn.virtual.catalogue import from_spec

NIGHTTURN = Path(sys.executable).with_name("nightturn")


@pytest.mark.parametrize("hours", [0.1, 0.25, 8.0])
@pytest.mark.parametrize("story", [each for each in Story if each is not Story.NIGHT])
def test_a_story_is_one_fault_of_pan_a2_and_its_plans_are_as_long_as_the_night(
    tmp_path: Path, story: Story, hours: float
) -> None:
    rig = load_rig(write_scene(tmp_path, hours, 3, story))
    faults = {each.id: from_spec(each.port).faults for each in rig.fixture}
    assert {name: [each.kind for each in found] for name, found in faults.items()} == {
        "pan-a1": [],
        "pan-a2": [story.value],
        "pan-b1": [],
    }
    assert faults["pan-a2"][0].at_ns == pytest.approx(hours * 3600e9 * 5 / 8, abs=1e9)
    for settings in rig.fixture:
        ahead = outlook(settings, load_variant(tmp_path, "pan15"))
        beside_h = sum(each.hours for each in settings.plan.conditioning.values())
        assert bool(beside_h) == (settings.id == CONDITIONED)
        longest_h = beside_h + settings.plan.cycles * ahead.cycle_s / 3600
        assert longest_h <= max(hours, beside_h + ahead.cycle_s / 3600) + 1e-3


def test_only_a_story_conditions_a_unit_and_parks_it_where_the_night_is_long_enough(tmp_path: Path) -> None:
    usual = load_rig(write_scene(tmp_path, 8.0, 3))
    assert all(not each.plan.has_more_than_cycles for each in usual.fixture)
    assert [each.plan.exercise.torque_nm for each in usual.fixture] == [0.0, 0.0, 0.0]
    for hours, parks in ((1.0, None), (8.0, PARK_EVERY)):
        conditioned = load_rig(write_scene(tmp_path, hours, 3, Story.CHIP)).fixture[-1].plan
        assert [*conditioned.conditioning] == ["warm_up", "soak"]
        assert conditioned.exercise.torque_nm == 2.0
        assert (conditioned.park.every_cycles if conditioned.park is not None else None) == parks


class Standing:
    """A station whose shaft is locked for these reasons."""

    def __init__(self, *causes: Cause) -> None:
        reasons = [SimpleNamespace(cause=each) for each in causes]
        self.permission = SimpleNamespace(state=MotionState.LOCKED, reasons=reasons)
        self.core = SimpleNamespace(state=SimpleNamespace(motion=SimpleNamespace(permission=self.permission)))
        self.ended, self.commands, self.syncs = asyncio.Event(), list[tuple[str, ...]](), 0

    def command(self, *words: str) -> None:
        self.commands.append(words)
        self.permission.state = MotionState.ALLOWED

    def sync_now(self) -> None:
        self.syncs += 1


@pytest.mark.parametrize(
    ("causes", "says"),
    [((Cause.PARKED,), True), ((Cause.PARKED, Cause.TRIPPED), False), ((Cause.TRIPPED,), False), ((), False)],
)
def test_the_person_says_go_only_to_what_the_plan_has_parked(
    causes: tuple[Cause, ...], *, says: bool
) -> None:
    async def night() -> Standing:
        standing = Standing(*causes)
        looking = asyncio.ensure_future(look_when_parked(cast("Any", standing), "M. Thorn", "Q-0203"))
        await asyncio.sleep(3 * (ROUND_S + INSPECTION_S))
        looking.cancel()
        return standing

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        standing = runner.run(night())
    assert standing.commands == ([("go", "M. Thorn", "Q-0203")] if says else [])
    assert standing.syncs == len(standing.commands)
    assert callable(Station.command)


@pytest.mark.long
def test_a_story_as_a_user_runs_it_shows_its_fault_and_what_was_turned_beside_the_cycles(
    tmp_path: Path,
) -> None:
    done = subprocess.run(
        [NIGHTTURN, "demo", "--story", "chip", "--hours", "0.25", "--json", "--out", tmp_path],
        capture_output=True,
        text=True,
        check=True,
    )
    lines = {line["fixture"]: line for line in json.loads(done.stdout)["fixtures"]}
    assert [bool(lines[name]["beside"]) for name in ("pan-a1", "pan-a2", "pan-b1")] == [False, False, True]
    assert re.fullmatch(
        r"warm-up 0\.0 h in \d+ strokes, soak 0\.0 h in \d+ strokes", lines["pan-b1"]["beside"]
    )
    assert lines["pan-b1"]["cycles_complete"] >= 2
    whole, chipped = (lines[name]["figures"]["cogging_pp_nm"][0] for name in ("pan-a1", "pan-a2"))
    assert chipped > 1.05 * whole
