"""Recordings that these tests make figures of again: their tape is gone."""

import dataclasses
import shutil
from pathlib import Path

import pytest
from replay_logs.make import START_UTC_NS, Recorded, Scene
from tests.recorded import recorded
from tests.replay.scenes import LATER_NS, QUICK

TROUBLED = Scene(
    "troubled",
    "pan15?seed=10&ring_bytes=16384&fault=guard@62s+3s,outage@100s+8s,reset@150s",
    "a guard, a line lost for longer than the ring lasts, and a restart of the device, in many chunks",
    plan=QUICK,
    seconds_max=290.0,
    epochs=True,
    go_at_s=(70.0, 112.0, 160.0),
    chunk_s=40.0,
)
SHORT = dataclasses.replace(TROUBLED, name="short", seconds_max=125.0)
"""With a guard and a lost line; the restart of the device would come later."""
HALVES = dataclasses.replace(
    TROUBLED, name="halves", spec="pan15?seed=11", shows="a restart of the host", seconds_max=95.0, go_at_s=()
)


def without_tape(made: Recorded) -> Recorded:
    """The same where nothing is left but what was made of the tape."""
    shutil.rmtree(made.root / "journal")
    return made


@pytest.fixture(scope="session")
def troubled_once(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Three cycles and broken ones: guard, gap, device restarting."""
    return without_tape(recorded(tmp_path_factory, TROUBLED))


@pytest.fixture(scope="session")
def halves_once(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A run that goes on after a restart of the host in the middle of a cycle, and measures another one."""
    after = dataclasses.replace(HALVES, seconds_max=130.0, go_at_s=(30.0,))
    return without_tape(
        recorded(tmp_path_factory, (HALVES, START_UTC_NS), (after, LATER_NS + 60_000_000_000))
    )


def copied(made: Recorded, into: Path) -> Recorded:
    """A data root of its own, so that a test may damage it."""
    shutil.copytree(made.root, into)
    return dataclasses.replace(made, root=into)


@pytest.fixture
def troubled(troubled_once: Recorded, tmp_path: Path) -> Recorded:
    """The troubled run, this test's own."""
    return copied(troubled_once, tmp_path / "troubled")


@pytest.fixture
def halves(halves_once: Recorded, tmp_path: Path) -> Recorded:
    """The run in two halves, this test's own."""
    return copied(halves_once, tmp_path / "halves")
