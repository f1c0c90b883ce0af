"""The real file system: appends that are whole, names that stay below the root, folders that are durable."""

import os
from pathlib import Path

import pytest

from nightturn.errors import StorageError
from nightturn.storage import files as files_module
from nightturn.storage.files import RealFiles, inside


@pytest.mark.parametrize("path", ["", "/etc/passwd", "../x", "a/../../x", "a\0b", "a\\b"])
def test_a_path_that_leaves_the_root_is_refused(path: str) -> None:
    with pytest.raises(StorageError, match="is outside the data root"):
        inside(path)


def test_an_append_goes_on_after_short_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real_write = os.write
    monkeypatch.setattr(os, "write", lambda fd, content: real_write(fd, bytes(content)[:7]))
    RealFiles(tmp_path).append("a/b/c.bin", bytes(range(100)))
    monkeypatch.undo()

    assert (tmp_path / "a/b/c.bin").read_bytes() == bytes(range(100))


def test_appends_truncates_and_renames_keep_their_descriptors_right(tmp_path: Path) -> None:
    files = RealFiles(tmp_path)
    files.append("one", b"12345")
    files.truncate("one", 2)
    files.append("one", b"x")
    files.replace("one", "folder/two")
    files.append("one", b"new")

    assert files.read("folder/two") == b"12x"
    assert files.read("one") == b"new"
    assert files.list("folder") == ["two"]
    files.remove("one")
    assert not (tmp_path / "one").exists()


def test_descriptors_are_bounded_and_files_still_grow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files_module, "APPEND_DESCRIPTORS_MAX", 3)
    files = RealFiles(tmp_path)
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(2):
        for name in "abcdefgh":
            files.append(name, name.encode())

    assert len(list(Path("/proc/self/fd").iterdir())) - before <= 3
    assert [files.read(name) for name in "abcdefgh"] == [name.encode() * 2 for name in "abcdefgh"]
    files.close()
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_new_folder_is_made_durable_up_to_the_root_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[Path] = []
    monkeypatch.setattr(files_module, "_sync_folder", synced.append)
    files = RealFiles(tmp_path)
    files.append("a/b/c", b"1")
    files.sync_dir("a/b")
    files.sync_dir("a/b")

    assert synced == [tmp_path / "a/b", tmp_path / "a", tmp_path, tmp_path / "a/b"]


def test_a_missing_folder_lists_nothing(tmp_path: Path) -> None:
    assert RealFiles(tmp_path).list("nowhere") == []


def test_room_is_kept_beyond_the_end_of_a_file_and_nobody_reads_it(tmp_path: Path) -> None:
    files = RealFiles(tmp_path)
    files.append("tape", b"12345")
    files.reserve("tape", 1_000_000)
    files.append("tape", b"6")

    assert files.read("tape") == b"123456"
    kept = (tmp_path / "tape").stat().st_blocks * 512
    assert kept == 0 or kept >= 1_000_000  # where the file system can at all


def test_room_that_the_disk_has_not_is_refused_and_takes_nothing_from_the_file(tmp_path: Path) -> None:
    files = RealFiles(tmp_path)
    files.append("tape", b"12345")
    with pytest.raises(OSError, match="tape") as refused:
        files.reserve("tape", 1 << 62)
    assert refused.value.errno in files_module.NO_ROOM
    assert files.read("tape") == b"12345"


def test_a_full_disk_is_reported_as_such() -> None:
    with pytest.raises(OSError, match="No space left"):
        RealFiles(Path("/dev")).append("full", b"x")
