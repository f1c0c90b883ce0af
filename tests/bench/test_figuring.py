"""Figures in a process of their own: the same ones, whatever becomes of that process, and none in the daemon without need."""

import asyncio
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from tests.simulation.scene import FAST, open_scene, run
from typing_extensions import override

from nightturn.bench import figuring
from nightturn.bench.figuring import BUSY_NS, COMMAND, ChildFinisher, Figuring, OffloadFinisher
from nightturn.bench.figuring_child import NICE
from nightturn.bench.worlds import InlineOffload, RealClock
from nightturn.estimation.jobs import CycleJob, worked_out
from nightturn.model.facts import CycleFinished
from nightturn.storage.files import RealFiles
from nightturn.world import World

HERE = "it was worked out in the daemon"
SAYS_NOTHING = (
    sys.executable,
    "-c",
    "import select, sys; p = select.poll(); p.register(int(sys.argv[1]), 0); p.poll()",
)
PATIENT_S = 300.0  # such a child stands still where others keep every core busy
DIES = (sys.executable, "-c", "raise SystemExit(3)")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> CycleJob:
    """The end of a virtual fixture's first cycle."""
    asked: list[CycleJob] = []

    class Kept(OffloadFinisher):
        @override
        async def figures(self, job: CycleJob) -> CycleFinished:
            asked.append(job)
            return worked_out(job)

    async def act() -> None:
        scene = open_scene(tmp_path_factory.mktemp("cycle"))
        scene.station._figuring = Figuring(FAST.id, Kept(scene.world), scene.station._fact)
        await scene.until(lambda: bool(asked))
        await scene.station.close()

    run(act)
    return asked[0]


def world_at(root: Path) -> World:
    return World(RealClock(), RealFiles(root), InlineOffload())


def refuse(_job: CycleJob) -> CycleFinished:
    raise AssertionError(HERE)


def running(finisher: ChildFinisher) -> "list[subprocess.Popen[bytes]]":
    """Its child, if there is one."""
    return [] if finisher._child is None else [finisher._child.process]


async def figures(finisher: ChildFinisher, job: CycleJob) -> CycleFinished:
    return await finisher.figures(job)


def test_a_child_gives_the_same_figures_again_after_its_death_and_the_daemon_works_out_none(
    tmp_path: Path, job: CycleJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(figuring, "worked_out", refuse)
    with ChildFinisher(world_at(tmp_path), answer_s=PATIENT_S) as finisher:
        (begun,) = running(finisher)  # it is ready before the first cycle ends
        first = asyncio.run(figures(finisher, job))
        (child,) = running(finisher)
        assert begun.pid == child.pid
        assert os.getpriority(os.PRIO_PROCESS, child.pid) == min(
            os.getpriority(os.PRIO_PROCESS, 0) + NICE, 19
        )
        os.kill(child.pid, signal.SIGKILL)
        child.wait(40.0)
        second = asyncio.run(figures(finisher, job))
        (other,) = running(finisher)

    assert first == second == worked_out(job)
    assert not first.error
    assert (other.pid == child.pid, other.returncode) == (False, 0)


@pytest.mark.parametrize("command", [DIES, SAYS_NOTHING, ("/nothing/here",)])
def test_a_child_that_cannot_do_it_leaves_the_figures_to_the_daemon(
    tmp_path: Path, job: CycleJob, command: tuple[str, ...]
) -> None:
    with ChildFinisher(world_at(tmp_path), command, answer_s=0.1) as finisher:
        assert asyncio.run(figures(finisher, job)) == worked_out(job)


def test_behind_a_job_that_was_not_answered_the_daemon_does_the_next_itself_for_a_minute(
    tmp_path: Path, job: CycleJob
) -> None:
    clock = StoppedClock()
    world = World(clock, RealFiles(tmp_path), InlineOffload())
    with ChildFinisher(world, SAYS_NOTHING, answer_s=0.1) as finisher:
        assert asyncio.run(figures(finisher, job)) == worked_out(job)
        assert not running(finisher)  # it was ended, and none is asked
        clock.ns += BUSY_NS - 1
        assert asyncio.run(figures(finisher, job)) == worked_out(job)
        assert not running(finisher)
        clock.ns += 1
        finisher._command = COMMAND
        finisher._answer_s = PATIENT_S
        assert asyncio.run(figures(finisher, job)) == worked_out(job)
        assert len(running(finisher)) == 1  # asked again


class StoppedClock:
    """A clock that stands until it is moved."""

    ns = 1

    def monotonic_ns(self) -> int:
        return self.ns

    def utc_ns(self) -> int:
        return self.ns
