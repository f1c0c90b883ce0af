"""Recorded nights for tests of any room: each is made once in a run of the tests, whoever asks first, and everybody gets a copy."""

import dataclasses
import fcntl
import hashlib
import os
import shutil
from pathlib import Path

import pytest
from replay_logs.make import START_UTC_NS, Recorded, Scene, record
from tests.replay.scenes import quiet

Part = tuple[Scene, int]
"""What is recorded, and the wall time at its start in ns."""


def recorded(factory: pytest.TempPathFactory, *parts: Scene | Part) -> Recorded:
    """A recording in a folder of its own, which its asker may change; later parts go on with the run of the first."""
    wanted = [each if isinstance(each, tuple) else (each, START_UTC_NS) for each in parts]
    name = wanted[0][0].name
    made = _made_once(_common(factory) / f"recorded-{name}-{_digest(wanted)}", wanted)
    own = factory.mktemp(name) / "nights"
    shutil.copytree(made.root, own)
    segments = tuple(own / each.relative_to(made.root) for each in made.segments)
    return dataclasses.replace(made, root=own, segments=segments)


def _common(factory: pytest.TempPathFactory) -> Path:
    """A folder that all workers of this run share."""
    base = factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


def _digest(parts: list[Part]) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:12]


def _made_once(root: Path, parts: list[Part]) -> Recorded:
    """The recording at a place, made there by the first who holds the lock."""
    with root.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = root.with_suffix(".done")
        if not done.exists():
            with quiet():
                made = [record(scene, root, start_ns) for scene, start_ns in parts][-1]
            places = [str(each.relative_to(root)) for each in made.segments]
            done.write_text("\n".join((made.fixture, made.run, *places)), encoding="utf-8")
        fixture, run, *places = done.read_text(encoding="utf-8").split("\n")
    return Recorded(root, fixture, run, tuple(root / each for each in places))
