"""The logbook on the disk: durable line by line, photos by their hash, and `verify` names what is not as it was written."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.logbook.writing import entry
from tests.storage.crash_states import Disk, MemoryFiles
from tests.storage.recording import Operation, RecordingFiles
from tests.storage.scenario import STARTED_NS
from tests.storage.test_photos import picture, saved
from tests.storage.test_tidying import everything, two_nights

from nightturn.errors import ConfigError
from nightturn.logbook.entries import Entry
from nightturn.settings.retained import Keep, Retention
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import LOG, PHOTOS, add_entry, photo_path, read_logbook, written_line
from nightturn.storage.photos import stripped
from nightturn.storage.tidying import tidy
from nightturn.storage.verify_beside import Found
from nightturn.storage.verify_logbook import logbook


def found(root: Path) -> list[Found]:
    return list(logbook(RealFiles(root)))


@pytest.fixture
def written(tmp_path: Path) -> Entry:
    """Three lines, the second with a photo."""
    add_entry(tmp_path, entry(0))
    middle = add_entry(tmp_path, entry(0, text="race"), [stripped(saved("PNG"), "race.png")])
    add_entry(tmp_path, entry(0))
    return middle


def test_lines_are_numbered_and_what_was_written_is_in_order(tmp_path: Path, written: Entry) -> None:
    book = read_logbook(RealFiles(tmp_path))
    assert [each.number for each in book.entries] == [1, 2, 3]
    assert book.entries[1] == written
    assert found(tmp_path) == []
    assert found(tmp_path / "nowhere") == []


def test_the_same_photo_is_stored_once(tmp_path: Path, written: Entry) -> None:
    again = add_entry(tmp_path, entry(0), [stripped(saved("PNG"), "other name.png")])
    assert again.photos[0].file == written.photos[0].file
    assert len(list((tmp_path / PHOTOS).iterdir())) == 1


def test_a_photo_that_was_damaged_is_whole_again_when_it_is_given_again(
    tmp_path: Path, written: Entry
) -> None:
    (tmp_path / photo_path(written.photos[0])).write_bytes(b"damaged")
    add_entry(tmp_path, entry(0), [stripped(saved("PNG"), "race.png")])
    assert found(tmp_path) == []


def test_a_changed_or_absent_photo_is_named_with_its_line(tmp_path: Path, written: Entry) -> None:
    path = photo_path(written.photos[0])
    (tmp_path / path).write_bytes(saved("PNG", picture("L")))
    (problem,) = found(tmp_path)
    assert (problem.path, problem.wrong) == (path, True)
    assert "is not the photo that line 2 names" in problem.detail
    (tmp_path / path).unlink()
    (problem,) = found(tmp_path)
    assert "is absent; line 2 names it" in problem.detail


def test_what_a_crash_left_is_no_damage_and_a_changed_line_is(tmp_path: Path, written: Entry) -> None:
    (tmp_path / PHOTOS / f".{written.photos[0].file}.tmp").write_bytes(b"half")
    (tmp_path / PHOTOS / "unnamed.png").write_bytes(b"whole")
    log = tmp_path / LOG
    content = log.read_bytes()
    log.write_bytes(content + b'{"number":4')
    assert [(each.wrong, each.detail) for each in found(tmp_path)] == [
        (False, "its last line has no end; it was never in force"),
        (False, "was left by a crash"),
        (False, "is named by no line"),
    ]
    assert add_entry(tmp_path, entry(0)).number == 4  # the torn end is cut off by the next line
    log.write_bytes(content.replace(b"race", b"rice", 1))
    assert [each.detail.partition(" (")[0] for each in found(tmp_path) if each.wrong] == [
        "line 2 cannot be read"
    ]
    assert add_entry(tmp_path, entry(0)).number == 4  # no number is used twice


def test_a_photo_whose_name_leads_out_of_the_root_is_named_and_not_read(tmp_path: Path) -> None:
    (tmp_path / "secret.png").write_bytes(b"x")
    root = tmp_path / "nights"
    (root / PHOTOS).mkdir(parents=True)
    climbing = stripped(saved("PNG"), "a.png")
    line = add_entry(root, entry(0), [climbing])
    log = root / LOG
    log.write_bytes(log.read_bytes().replace(line.photos[0].file.encode(), b"../../../secret.png"))
    assert any(each.wrong for each in found(root))
    bare = log.read_bytes().partition(b',"crc32c"')[0] + b"}\n"
    log.write_bytes(bare)
    assert any("outside the data root" in each.detail for each in found(root))


def test_only_a_line_that_is_there_and_open_can_be_answered(tmp_path: Path, written: Entry) -> None:
    assert written.number == 2
    add_entry(tmp_path, entry(0, "closed", closes=2))
    with pytest.raises(ConfigError, match=r"was answered by R\. Vale in line 4"):
        add_entry(tmp_path, entry(0, "closed", closes=2))
    with pytest.raises(ConfigError, match="has no line 17"):
        add_entry(tmp_path, entry(0, "closed", closes=17))


def test_lines_that_come_at_once_have_numbers_of_their_own(tmp_path: Path) -> None:
    writers = [
        threading.Thread(target=lambda: [add_entry(tmp_path, entry(0)) for _ in range(5)]) for _ in range(4)
    ]
    for each in writers:
        each.start()
    for each in writers:
        each.join()
    assert [each.number for each in read_logbook(RealFiles(tmp_path)).entries] == [*range(1, 21)]


def recorded_lines() -> tuple[list[Operation], list[tuple[int, Entry]]]:
    """Three lines, two with a photo: every operation, and which line was durable after how many."""
    files = RecordingFiles(MemoryFiles())
    photos = [stripped(saved("PNG", picture(size=size)), "a.png") for size in ((9, 7), (7, 9))]
    promises = []
    for more in ([photos[0]], [], photos):
        line = written_line(files, entry(0), more)
        promises.append((len(files.operations), line))
    return files.operations, promises


def losses(operations: list[Operation], promises: list[tuple[int, Entry]]) -> Iterator[str]:
    """Of all states that a power cut may leave those that lose a durable line, or name a photo that is not whole."""
    disk = Disk()
    for done, operation in enumerate(operations, 1):
        disk.apply(operation)
        durable = [line for at, line in promises if at <= done]
        for how, files in disk.after_a_power_cut():
            kept = read_logbook(files).entries
            wrong = [each.detail for each in logbook(files) if each.wrong]
            again = written_line(files, entry(0), ())
            if kept[: len(durable)] != tuple(durable) or wrong or again.number != len(kept) + 1:
                yield f"after {done} operations ({operation.name} {operation.path}): {how}: {wrong}"


def test_no_power_cut_loses_a_line_or_leaves_one_without_its_photo() -> None:
    operations, promises = recorded_lines()
    assert [line.number for _, line in promises] == [1, 2, 3]
    assert list(losses(operations, promises)) == []


@pytest.mark.parametrize(
    ("name", "ending"),
    [("sync", ".tmp"), ("sync_dir", "photos"), ("sync", ".jsonl"), ("sync_dir", "logbook")],
)
def test_leaving_out_any_sync_of_a_line_is_noticed(name: str, ending: str) -> None:
    operations, promises = recorded_lines()
    left = [each for each in operations if (each.name, each.path.endswith(ending)) != (name, True)]
    fewer = [(sum(1 for each in operations[:at] if each in left), line) for at, line in promises]
    assert list(losses(left, fewer)) != []


def test_retention_never_clears_the_logbook(tmp_path: Path) -> None:
    night = two_nights(tmp_path)
    night.files.close()
    add_entry(tmp_path, entry(0), [stripped(saved("PNG"), "a.png")])
    before = {path: content for path, content in everything(tmp_path).items() if path.startswith("logbook/")}
    rule = Retention(raw=Keep(gb=0.000001), figures=Keep(gb=0.000001))
    tidied = tidy(tmp_path, rule, STARTED_NS, "R. Vale", apply=True)
    assert tidied.cleared
    assert {path: content for path, content in everything(tmp_path).items() if path in before} == before
    assert len(before) == 3  # the log, its lock and the photo
