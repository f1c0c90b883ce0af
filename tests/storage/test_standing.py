"""How a run stands: by its manifest, by the lock of its root, and by its tape."""

import fcntl
import os
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from tests.storage.scenario import FIXTURE
from tests.storage.store import Night, manifest

from nightturn.storage.paths import ROOT_LOCK
from nightturn.storage.standing import recorder_alive, standing

OTHER_RUN = "20261126T213000Z-00aa"
HOUR_NS = 3_600_000_000_000


@pytest.fixture
def recorder(tmp_path: Path) -> Iterator[int]:
    """The root's lock, held as a recorder holds it."""
    descriptor = os.open(tmp_path / ROOT_LOCK, os.O_RDWR | os.O_CREAT)
    fcntl.flock(descriptor, fcntl.LOCK_EX)
    yield descriptor
    os.close(descriptor)


@pytest.fixture
def tape(tmp_path: Path, recorder: int) -> Path:
    """Tape that was written since the recorder took the root."""
    assert recorder
    night = Night(tmp_path)
    night.add_chunk(1000)
    return tmp_path / str(night.journal.path)


def made(path: Path, after_lock_ns: int) -> None:
    """The file's last change, by the wall clock against that of the lock."""
    at_ns = (path.parents[2] / ROOT_LOCK).stat().st_mtime_ns + after_lock_ns
    os.utime(path, ns=(at_ns, at_ns))


def test_a_recorder_lives_as_long_as_it_holds_the_lock(tmp_path: Path, recorder: int) -> None:
    assert recorder_alive(tmp_path)
    assert recorder_alive(tmp_path)  # asking takes nothing
    os.ftruncate(recorder, 0)
    assert recorder_alive(tmp_path)
    fcntl.flock(recorder, fcntl.LOCK_UN)
    assert not recorder_alive(tmp_path)
    assert not recorder_alive(tmp_path / "nowhere")


def test_a_run_whose_recorder_writes_its_tape_is_running(tmp_path: Path, tape: Path) -> None:
    made(tape, 1)
    assert standing(tmp_path, manifest()) == "running"


@pytest.mark.usefixtures("tape")
def test_a_run_whose_recorder_is_gone_is_interrupted(tmp_path: Path, recorder: int) -> None:
    fcntl.flock(recorder, fcntl.LOCK_UN)
    assert standing(tmp_path, manifest()) == "interrupted"


@pytest.mark.usefixtures("tape")
def test_another_run_of_the_fixture_that_never_ended_is_interrupted(tmp_path: Path) -> None:
    assert standing(tmp_path, manifest(OTHER_RUN)) == "interrupted"


def test_tape_of_before_the_recorder_began_is_a_leftover_unless_it_grows(
    tmp_path: Path, tape: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(tape, -HOUR_NS)
    monkeypatch.setattr(time, "sleep", lambda _: None)
    assert standing(tmp_path, manifest()) == "interrupted"  # its fixture is no longer in the rig file

    def written(_: float) -> None:
        with tape.open("ab") as file:
            file.write(b"more")

    monkeypatch.setattr(time, "sleep", written)
    assert standing(tmp_path, manifest()) == "running"  # the wall clock was put back
    monkeypatch.setattr(time, "sleep", lambda _: tape.unlink())
    assert standing(tmp_path, manifest()) == "running"  # just sealed


def test_what_has_ended_has_ended_and_without_a_manifest_nothing_is_known(tmp_path: Path, tape: Path) -> None:
    assert tape.exists()
    assert standing(tmp_path, msgspec.structs.replace(manifest(), state="ended")) == "ended"
    assert standing(tmp_path, None) == "unknown"


@pytest.mark.usefixtures("recorder")
def test_tape_that_cannot_be_read_belongs_to_no_run(tmp_path: Path) -> None:
    folder = tmp_path / "journal" / FIXTURE
    folder.mkdir(parents=True)
    (folder / "000000000001-0000000000000001.ntj").write_bytes(b"torn")
    assert standing(tmp_path, manifest()) == "interrupted"
