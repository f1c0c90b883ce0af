"""Locks of data roots, lines and links: what decides is the kernel's lock, never what a file says."""

import fcntl
import os
import pty
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from nightturn.bench import locks
from nightturn.bench.locks import Holder, Lock, PortLocks
from nightturn.bench.runs import bench_word
from nightturn.errors import PortError, StorageError
from nightturn.storage.paths import ROOT_LOCK


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "runtime"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    monkeypatch.setattr(locks, "ROOT_WAIT_S", 0.0)
    return folder


@pytest.fixture
def line() -> Iterator[str]:
    """A character device that exists."""
    master, slave = pty.openpty()
    yield os.ttyname(slave)
    os.close(master)
    os.close(slave)


def test_a_root_has_one_owner_whichever_way_it_is_named(tmp_path: Path) -> None:
    root = tmp_path / "nights"
    owned = locks.own_root(root, "nightturn serve")
    (tmp_path / "other").symlink_to(root)
    with pytest.raises(StorageError, match=rf"`nightturn serve` \(process {os.getpid()} on "):
        locks.own_root(tmp_path / "other", "nightturn demo")
    owned.release()
    locks.own_root(root, "nightturn demo").release()


def test_what_the_file_says_does_not_keep_a_root_from_being_owned(tmp_path: Path) -> None:
    alive = Holder(os.getpid(), "somewhere", "nightturn serve")
    with (tmp_path / ROOT_LOCK).open("wb") as file:
        file.write(msgspec.json.encode(alive) * 50)  # longer than what replaces it
    owned = locks.own_root(tmp_path, "nightturn demo")
    assert locks.holder_of(tmp_path / ROOT_LOCK).command == "nightturn demo"
    owned.release()


@pytest.mark.parametrize("damage", [b"", b"\xff\xfe", b"[1]", b"{" * 5000])
def test_a_damaged_note_does_not_let_a_second_owner_in(tmp_path: Path, damage: bytes) -> None:
    owned = locks.own_root(tmp_path, "nightturn serve")
    (tmp_path / ROOT_LOCK).write_bytes(damage)
    with pytest.raises(StorageError, match="another process"):
        locks.own_root(tmp_path, "nightturn serve")
    owned.release()


def test_a_root_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    (tmp_path / "nights").write_text("a file")
    with pytest.raises(StorageError, match=r"nights.*`data` in \[bench\]"):
        locks.own_root(tmp_path / "nights", "nightturn serve")


def test_two_names_of_one_device_are_one_line(tmp_path: Path, line: str) -> None:
    (tmp_path / "by-id").symlink_to(line)
    assert locks.device_key(str(tmp_path / "by-id")) == locks.device_key(line) != ""
    PortLocks("nightturn serve").hold("pan-a1", line, locks.device_key(line))
    with pytest.raises(PortError, match=r"by-id: `nightturn serve` \(process"):
        PortLocks("nightturn linktest").hold("x", "by-id", locks.device_key(str(tmp_path / "by-id")))


def test_a_second_node_of_one_device_number_is_the_same_line(
    tmp_path: Path, line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = tmp_path / "node"
    try:
        os.mknod(node, stat.S_IFCHR | 0o600, Path(line).stat().st_rdev)
    except PermissionError:  # only root may make one; it would answer as the line does
        real = os.stat
        monkeypatch.setattr(os, "stat", lambda path, **how: real(line if path == str(node) else path, **how))
    assert node.resolve() != Path(line).resolve()
    assert locks.device_key(str(node)) == locks.device_key(line)


def test_two_fixtures_of_one_process_cannot_share_a_line_either(line: str) -> None:
    held = PortLocks("nightturn serve")
    held.hold("pan-a1", line, locks.device_key(line))
    held.hold("pan-a1", line, locks.device_key(line))
    with pytest.raises(PortError, match="is the line of pan-a1 too"):
        held.hold("pan-a2", line, locks.device_key(line))


def test_two_workers_of_one_daemon_cannot_share_a_line_and_others_are_told_of_the_daemon(line: str) -> None:
    one, other = PortLocks("nightturn serve", 4711), PortLocks("nightturn serve", 4711)
    key = locks.device_key(line)
    one.hold("pan-a1", line, key)
    with pytest.raises(PortError, match="is the line of pan-a1 too; two names of one device"):
        other.hold("pan-a2", line, key)
    with pytest.raises(PortError, match=r"`nightturn serve` \(process 4711 on .*; end that one first"):
        PortLocks("nightturn linktest").hold("x", line, key)
    with pytest.raises(PortError, match=r"`nightturn serve` \(process 4711 on .*; end that one first"):
        PortLocks("nightturn serve", 4712).hold("pan-a2", line, key)


def test_a_device_that_came_back_under_another_number_frees_its_old_one(line: str) -> None:
    here, there = PortLocks("nightturn serve"), PortLocks("nightturn linktest")
    key = locks.device_key(line)
    here.hold("pan-a1", line, key)
    with pytest.raises(PortError):
        there.hold("x", line, key)
    here.hold("pan-a1", line, "device-188-7")
    there.hold("x", line, key)
    here.hold("pan-a1", line, "")
    there.hold("x", line, "device-188-7")


def test_an_address_is_locked_by_what_it_resolves_to() -> None:
    assert locks.address_key("127.0.0.1", 9) == "tcp-127.0.0.1-9"
    assert locks.address_key("0x7f.1", 9) == "tcp-127.0.0.1-9"  # inet_aton(3): hexadecimal and short forms
    assert locks.address_key("127.0.0.1", 10) != locks.address_key("127.0.0.1", 9)
    assert locks.address_key("no such name", 9) == ""


def test_a_link_is_locked_by_its_place_and_not_by_its_target(tmp_path: Path, line: str) -> None:
    (tmp_path / "a.line").symlink_to(line)
    (tmp_path / "b.line").symlink_to(line)
    (tmp_path / "folder").symlink_to(tmp_path)
    assert locks.link_key(tmp_path / "a.line") != locks.link_key(tmp_path / "b.line")
    assert locks.link_key(tmp_path / "a.line") == locks.link_key(tmp_path / "folder" / "a.line")


def test_the_runtime_folder_is_for_its_user_only(runtime: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = locks.runtime_folder()
    assert folder == runtime / "nightturn"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    folder.chmod(0o770)
    with pytest.raises(PortError, match="nobody else may open"):
        locks.runtime_folder()
    runtime.chmod(
        0o755
    )  # a folder that others may open is no runtime folder: the one under the temp folder is taken
    monkeypatch.setattr(tempfile, "tempdir", str(runtime))
    assert locks.runtime_folder() == runtime / f"nightturn-{os.getuid()}"


def test_a_link_in_place_of_the_runtime_folder_is_refused(runtime: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    (runtime / "nightturn").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(PortError, match="remove it"):
        locks.runtime_folder()


def test_a_lock_whose_file_is_removed_while_it_is_taken_is_taken_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, flock = tmp_path / "a.lock", fcntl.flock
    removed = iter([True, False])

    def after_a_removal(descriptor: int, how: int) -> None:
        if next(removed):
            path.unlink()
        flock(descriptor, how)

    monkeypatch.setattr(fcntl, "flock", after_a_removal)
    taken = locks.take(path, locks.us("nightturn serve"))
    monkeypatch.undo()
    assert isinstance(taken, Lock)
    assert isinstance(locks.take(path, locks.us("nightturn serve")), Holder)  # it holds what others see
    taken.release()


def test_a_benchs_word_is_its_own_and_stays(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "same").symlink_to(tmp_path / "a")
    assert bench_word(tmp_path / "a") == bench_word(tmp_path / "same")
    assert bench_word(tmp_path / "a") != bench_word(tmp_path / "b")


def test_lines_are_free_when_their_command_is_over(line: str) -> None:
    here = PortLocks("nightturn linktest")
    here.hold("linktest", line, locks.device_key(line))
    here.release()
    PortLocks("nightturn serve").hold("pan-a1", line, locks.device_key(line))
