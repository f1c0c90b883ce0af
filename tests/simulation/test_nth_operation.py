"""The n-th change of the disk fails, in several starts one after the other; then both fixtures record, and nothing is missing
unexplained."""

import asyncio
import contextlib
import errno
import os
import shutil
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from tests.bench.failing_files import FailingFiles
from tests.simulation.scene import Scene, open_scene, run, settings_of
from typing_extensions import override

from nightturn.errors import StorageError
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.files import RealFiles
from nightturn.storage.verify import verify
from nightturn.world import Files

FIXTURES = tuple(
    settings_of(id=name, port=f"virtual:pan15?seed={seed}", after_restart="resume", chunk_s=10.0)
    for name, seed in (("pan-a1", 7), ("pan-a2", 8))
)
BAD_STARTS = 3
LASTS_S = 12.0  # a cut and a seal of each fixture, and its syncs
AGAIN_S = 2.0
MENDS_S = 2.0  # a life goes on for so long behind what failed
RECORDS_WITHIN_S = 15.0
RECORDS = 50
WAYS = ("ENOSPC", "EIO", "short write", "kill")
EACH = 8
"""In the short form each way fails at every eighth of its changes."""


class Killed(SystemExit):
    """The process dies; from here on no change reaches the disk."""


class NthFails(FailingFiles):
    """Counts the changes of all fixtures together; the n-th fails in its way, and those behind it do not, unless it killed."""

    def __init__(self, inner: Files, nth: int, way: str) -> None:
        super().__init__(inner)
        self.nth = nth
        self.way = way
        self.changes = 0
        self.hit = ""
        self._content = b""  # of an append under way

    @override
    def _judge(self, operation: str, path: str) -> None:
        if self.hit and self.way == "kill":
            raise Killed
        self.changes += 1
        if self.changes != self.nth:
            return
        self.hit = f"{operation} {path}"
        if self.way in ("kill", "short write") and self._content:
            self.inner.append(path, self._content[: len(self._content) // 2])
        if self.way == "kill":
            raise Killed
        number = errno.EIO if self.way == "EIO" else errno.ENOSPC
        raise OSError(number, os.strerror(number), path)

    @override
    def append(self, path: str, content: bytes) -> None:
        self._content = content
        try:
            super().append(path, content)
        finally:
            self._content = b""

    @override
    def truncate(self, path: str, size: int) -> None:
        self._judge("truncate", path)
        super().truncate(path, size)

    @override
    def remove(self, path: str) -> None:
        self._judge("remove", path)
        super().remove(path)


@dataclass
class Life:
    """What became of one start."""

    disk: NthFails
    crashed: list[Exception] = field(default_factory=list)


async def opened(root: Path, settings: FixtureSettings, files: Files, later_s: float) -> Scene:
    """A station, as `serve` opens one: what the disk refuses is tried again."""
    while True:
        try:
            return open_scene(root, settings=settings, wrap_files=lambda _: files, later_s=later_s)
        except (StorageError, OSError):
            await asyncio.sleep(AGAIN_S)


def one_life(root: Path, nth: int, way: str, later_s: float) -> Life:
    """A start of both fixtures whose n-th change fails, some seconds of recording, and a polite end if it lives so long."""
    life = Life(NthFails(RealFiles(root), nth, way))

    async def act() -> None:
        scenes = [await opened(root, settings, life.disk, later_s) for settings in FIXTURES]
        for _ in range(round(LASTS_S / MENDS_S)):
            before = life.disk.hit
            await asyncio.sleep(MENDS_S)
            if before:
                break
        for scene in scenes:
            await scene.station.close()
        life.crashed = [scene.station.crashed for scene in scenes if scene.station.crashed is not None]

    with contextlib.suppress(Killed):
        run(act)
    return life


def both_record(root: Path, later_s: float) -> None:
    """A start on a disk that takes everything: both fixtures record within the bound."""

    async def act() -> None:
        scenes = [open_scene(root, settings=settings, later_s=later_s) for settings in FIXTURES]
        seen = [scene.station.durable_through for scene in scenes]

        def record() -> bool:
            return all(
                scene.station.proof.frame_age_s < 1.0 and scene.station.durable_through > before + RECORDS
                for scene, before in zip(scenes, seen, strict=True)
            )

        await scenes[0].until(record, RECORDS_WITHIN_S)
        for scene in scenes:
            await scene.station.close()
        assert [scene.station.crashed for scene in scenes] == [None, None]

    run(act)


def changes(root: Path) -> list[int]:
    """Numbers of the changes that a start makes which nothing disturbs: all, but of the many records of a tape each 50th."""
    operations = one_life(root, 0, "none", 0.0).disk.operations
    assert len(operations) > 300
    tape = [
        number
        for number, each in enumerate(operations, 1)
        if each.name == "append" and each.path.startswith("journal/")
    ]
    return sorted({*range(1, len(operations) + 1)} - {*tape} | {*tape[:3], *tape[::50]})


def check(root: Path, nth: int, way: str) -> list[str]:
    """Three bad starts and a good one; where the n-th change met them."""
    met = []
    for start in range(BAD_STARTS):
        life = one_life(root, nth, way, start * 60.0)
        assert life.crashed == []
        met.append(life.disk.hit)
    both_record(root, BAD_STARTS * 60.0)
    report = verify(root, run="all")
    assert report.ok, [problem for each in report.runs for problem in each.problems]
    assert {each.fixture for each in report.runs if each.stored} == {each.id for each in FIXTURES}
    return met


@pytest.mark.parametrize(("way", "first"), [(way, place) for place, way in enumerate(WAYS)])
def test_after_starts_that_fail_somewhere_both_fixtures_record_and_all_that_is_missing_is_explained(
    tmp_path: Path, way: str, first: int
) -> None:
    """Each way meets other changes; together they meet every kind of them."""
    for nth in changes(tmp_path / "undisturbed")[first :: len(WAYS) * EACH]:
        assert any(check(tmp_path / f"{nth}", nth, way))


@pytest.mark.long
@pytest.mark.parametrize("way", WAYS)
def test_every_change_of_a_start_may_fail(tmp_path: Path, way: str) -> None:
    met: set[str] = set()
    for nth in changes(tmp_path / "undisturbed"):
        root = tmp_path / f"{nth}"
        met.update(check(root, nth, way))
        shutil.rmtree(root)
    assert {hit.partition(" ")[0] for hit in met if hit} >= {"append", "sync", "replace", "sync_dir"}
