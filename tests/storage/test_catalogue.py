"""The catalogue answers for what has ended, opens nothing for it, and never says what the files do not."""

import os
import shutil
import sqlite3
from collections import Counter
from pathlib import Path

import msgspec
import pyarrow.parquet as pq
import pytest
from tests.storage.damages import CARD, recorded
from tests.storage.scenario import FIXTURE, RUN, rows_of_every_dataset
from tests.storage.store import Night, manifest

from nightturn.model.rows import GAPS
from nightturn.storage import catalogue as catalogue_module
from nightturn.storage import summaries
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, read_manifest, write_manifest
from nightturn.storage.runs import RunSummary, list_runs

RUNS = [f"202611{day:02}T213000Z-00{day:02x}" for day in range(1, 13)]
DATABASE = "catalogue.sqlite"
LOG_ALONE = {"read": 1}
"""What a list opens of any number of runs: the log of retention."""


@pytest.fixture(autouse=True)
def settled(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test cannot wait until a file is old enough to be trusted."""
    monkeypatch.setattr(summaries, "SETTLED_NS", -1)


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """What is opened, counted by the way in which it is: whole files, footers, headers of tape."""
    counts: Counter[str] = Counter()
    read, footer = RealFiles.read, pq.read_metadata

    def counted_read(files: RealFiles, path: str) -> bytes:
        counts["read"] += 1
        return read(files, path)

    def counted_footer(path: Path) -> object:
        counts["footer"] += 1
        return footer(path)

    monkeypatch.setattr(RealFiles, "read", counted_read)
    monkeypatch.setattr(pq, "read_metadata", counted_footer)
    return counts


def a_run(root: Path, run: str, unit: str = CARD.unit, *, ended: bool = True) -> None:
    card = msgspec.json.encode(msgspec.structs.replace(CARD, unit=unit)).decode()
    night = Night(root, run)
    rows = [row for row in rows_of_every_dataset() if row.dataset != GAPS]
    night.add_chunk(200, leave_out=(1,), rows=rows)
    night.files.close()
    opened = msgspec.structs.replace(manifest(run), card=card)
    write_manifest(night.files, msgspec.structs.replace(opened, state="ended") if ended else opened)


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("many")
    for number, run in enumerate(RUNS):
        a_run(root, run, f"Q-{number % 3}", ended=run != RUNS[-1])
    return root


@pytest.fixture
def root(many: Path, tmp_path: Path) -> Path:
    shutil.copytree(many, tmp_path / "nights")
    list_runs(tmp_path / "nights")
    return tmp_path / "nights"


def from_files(root: Path) -> list[RunSummary]:
    """What is listed by a reader that may not use the catalogue."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Catalogue, "may_be_kept", staticmethod(lambda _root: False))
        return list_runs(root)


def test_a_list_opens_as_much_however_many_runs_have_ended(root: Path, opened: Counter[str]) -> None:
    listed = list_runs(root)
    of_many = Counter(opened)
    opened.clear()

    assert listed == from_files(root)
    assert [each.run for each in listed] == RUNS[::-1]
    assert [each.state for each in listed] == ["interrupted", *["ended"] * (len(RUNS) - 1)]
    assert opened["read"] + opened["footer"] > 3 * len(RUNS)
    assert of_many == LOG_ALONE


def test_the_runs_of_a_unit_are_those_on_whose_card_it_stands(root: Path, opened: Counter[str]) -> None:
    listed = list_runs(root, "Q-1")

    assert [each.run for each in listed] == RUNS[1::3][::-1]
    assert {each.unit for each in listed} == {"Q-1"}
    assert opened == LOG_ALONE
    assert list_runs(root, "Q-none") == []


def changed_manifest(root: Path) -> None:
    before = read_manifest(RealFiles(root), FIXTURE, RUNS[3])
    write_manifest(RealFiles(root), msgspec.structs.replace(before, kept=True))


def rewritten_in_place_with_its_old_time(root: Path) -> None:
    path = root / "runs" / FIXTURE / f"{RUNS[3]}.json"
    before = path.stat()
    own = path.read_bytes()
    write_manifest(RealFiles(root), Manifest(fixture=FIXTURE, run=RUNS[3], started_utc_ns=1, kept=True))
    path.write_bytes(path.read_bytes().ljust(len(own))[: len(own)].rstrip() + b"\n")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def deleted_chunk(root: Path) -> None:
    next((root / "raw").rglob(f"run={RUNS[3]}/*.parquet")).unlink()


def deleted_cycles(root: Path) -> None:
    next((root / "cycles").rglob(f"run={RUNS[3]}/*.parquet")).unlink()


def deleted_manifest(root: Path) -> None:
    (root / "runs" / FIXTURE / f"{RUNS[3]}.json").unlink()


def deleted_run(root: Path) -> None:
    deleted_manifest(root)
    for folder in root.rglob(f"run={RUNS[3]}"):
        shutil.rmtree(folder)


def one_more_run(root: Path) -> None:
    a_run(root, RUN)


@pytest.mark.parametrize(
    "change",
    [
        changed_manifest,
        rewritten_in_place_with_its_old_time,
        deleted_chunk,
        deleted_cycles,
        deleted_manifest,
        deleted_run,
        one_more_run,
    ],
)
def test_what_changes_on_the_disk_changes_in_the_list(root: Path, change: object) -> None:
    before = list_runs(root)
    assert callable(change)
    change(root)

    assert list_runs(root) == from_files(root) != before


def test_a_damaged_manifest_is_named_in_its_run_and_hides_no_other(root: Path) -> None:
    before = {each.run: each for each in list_runs(root)}
    path = root / "runs" / FIXTURE / f"{RUNS[3]}.json"
    path.write_bytes(path.read_bytes()[:-9])

    after = {each.run: each for each in list_runs(root)}
    harmed = after.pop(RUNS[3])
    assert after == {run: each for run, each in before.items() if run != RUNS[3]}
    assert (harmed.state, harmed.unit, harmed.samples) == ("unknown", "", before[RUNS[3]].samples)
    (why,) = harmed.unreadable
    assert f"{RUNS[3]}.json" in why
    for unit in {each.unit for each in after.values()}:
        assert harmed in list_runs(root, unit)  # it may have been any unit


def test_a_damaged_footer_is_named_in_its_run_whose_counts_are_without_it(root: Path) -> None:
    """Where the catalogue does not know the file; what it knows it does not open."""
    before = {each.run: each for each in list_runs(root)}
    path = max((root / "raw").rglob(f"run={RUNS[3]}/*.parquet"))
    path.write_bytes(path.read_bytes()[:-4] + b"none")
    (root / DATABASE).unlink()

    harmed = next(each for each in list_runs(root) if each.run == RUNS[3])
    (why,) = harmed.unreadable
    assert path.name in why
    assert harmed.samples < before[RUNS[3]].samples
    assert harmed.chunks == before[RUNS[3]].chunks


def test_what_was_written_a_moment_ago_is_not_entered(
    root: Path, opened: Counter[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    changed_manifest(root)
    monkeypatch.setattr(summaries, "SETTLED_NS", 10**15)
    for _ in range(2):
        opened.clear()
        assert list_runs(root) == from_files(root)
        assert opened["read"] > 0


def test_another_roots_catalogue_answers_nothing_of_this_one(root: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    a_run(other, RUNS[3], "Q-other")
    list_runs(other)
    shutil.copy(other / DATABASE, root / DATABASE)
    listed = list_runs(root)

    assert listed == from_files(root)
    assert "Q-other" not in {each.unit for each in listed}


@pytest.mark.parametrize("table", ["summaries", "chunks"])
def test_an_entry_that_was_changed_is_not_believed(root: Path, table: str) -> None:
    with sqlite3.connect(root / DATABASE) as rows:
        if table == "summaries":
            rows.execute("update summaries set summary = replace(summary, '\"cycles\":2', '\"cycles\":3')")
        else:
            rows.execute("update chunks set rows = rows + 1")
            rows.execute("delete from summaries")
        assert rows.total_changes
    rows.close()

    assert list_runs(root) == from_files(root)


def of_something_else(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as rows:
        rows.execute("create table recipes (name text)")
    rows.close()


def overwritten_pages(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[:4096] + b"\xa5" * (len(content) - 4096))


def no_database(path: Path) -> None:
    path.write_bytes(b"no database")


@pytest.mark.parametrize("spoil", [of_something_else, overwritten_pages, no_database])
def test_a_foreign_or_damaged_catalogue_is_set_aside_once_and_made_anew(
    root: Path, spoil: object, capsys: pytest.CaptureFixture[str]
) -> None:
    Catalogue(root).segments()  # what was in its log is in the file
    assert callable(spoil)
    spoil(root / DATABASE)
    spoilt = (root / DATABASE).read_bytes()
    expected = from_files(root)
    capsys.readouterr()

    assert list_runs(root) == expected
    assert list_runs(root) == expected
    assert capsys.readouterr().out.count("catalogue_set_aside") == 1
    assert (root / f"{DATABASE}.unreadable").read_bytes() == spoilt
    assert len(Catalogue(root).segments()) == len(RUNS)


def test_a_catalogue_of_the_version_before_is_made_anew_without_a_word(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (root / DATABASE).unlink()
    with sqlite3.connect(root / DATABASE) as rows:
        rows.execute("create table runs (fixture text)")
        rows.execute("create table chunks (path text primary key, rows integer)")
        rows.execute("create table segments (path text primary key)")
    rows.close()

    assert list_runs(root) == from_files(root)
    assert len(Catalogue(root).segments()) == len(RUNS)
    assert capsys.readouterr().out == ""


def test_a_root_that_is_not_the_callers_own_is_only_read(many: Path, tmp_path: Path) -> None:
    shutil.copytree(many, tmp_path / "nights", ignore=shutil.ignore_patterns("catalogue*"))

    assert from_files(tmp_path / "nights") == list_runs(many)
    assert not (tmp_path / "nights" / DATABASE).exists()


def test_a_rebuild_keeps_what_is_entered_meanwhile_and_loses_what_is_gone(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    catalogue = Catalogue(root)
    deleted_chunk(root)
    segment_rows = catalogue_module._segment_rows

    def meanwhile(files: RealFiles) -> object:
        found = list(segment_rows(files))
        a_run(root, RUN)
        return found

    monkeypatch.setattr(catalogue_module, "_segment_rows", meanwhile)
    catalogue.rebuild()

    assert catalogue.chunks(FIXTURE, RUNS[3], "raw") == []
    assert len(catalogue.chunks(FIXTURE, RUN, "raw")) == 1
    assert len(catalogue.segments()) == len(RUNS) + 1


def test_the_catalogue_of_a_recorded_root_is_rebuilt_alike(tmp_path: Path) -> None:
    root = recorded(tmp_path)
    live = list_runs(root)
    (root / DATABASE).unlink()

    assert list_runs(root) == live == from_files(root)
