"""A unit's runs over all fixtures, answered by the index by serial: never one too few, and none of another unit."""

import shutil
import sqlite3
from collections import Counter
from pathlib import Path

import msgspec
import pandas as pd
import pytest
from tests.storage import store
from tests.storage.damages import CARD
from tests.storage.scenario import FIXTURE, cycle_record
from tests.storage.test_catalogue import from_files

from nightturn.errors import RunNotFoundError, StorageError
from nightturn.model.records import Emit
from nightturn.storage import summaries
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import ENDED, read_manifest, write_manifest
from nightturn.storage.marking import redate
from nightturn.storage.marks import Mark, add_marks
from nightturn.storage.reader import Run, RunWarning
from nightturn.storage.runs import RunSummary, list_runs
from nightturn.storage.summaries import known_units
from nightturn.storage.unit_runs import cycles_of_unit, runs_of_unit

UNIT, OTHER = "Q-0117", "Q-0200"
SECOND = "pan-b2"
DATABASE = "catalogue.sqlite"
NIGHTS = (
    (FIXTURE, "20261101T213000Z-0001", UNIT),
    (SECOND, "20261102T213000Z-0002", UNIT),
    (FIXTURE, "20261103T213000Z-0003", OTHER),
    (FIXTURE, "20261104T213000Z-0004", UNIT),
    (SECOND, "20261105T213000Z-0005", OTHER),
)
OF_UNIT = [(fixture, run) for fixture, run, unit in NIGHTS if unit == UNIT]
COLUMNS = ["ts_end", "cycle_no", "friction_nm", "friction_nm_status"]


@pytest.fixture(autouse=True)
def settled(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test cannot wait until a file is old enough to be trusted."""
    monkeypatch.setattr(summaries, "SETTLED_NS", -1)


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("nights")
    for number, (fixture, run, unit) in enumerate(NIGHTS):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(store, "FIXTURE", fixture)
            night = store.Night(root, run)
            for chunk in range(2):
                rows = [Emit("cycles", cycle_record(10 * number + 3 * chunk + n)) for n in (1, 2)]
                night.add_chunk(200, leave_out=(1,), rows=rows)
            night.files.close()
            card = msgspec.json.encode(msgspec.structs.replace(CARD, unit=unit)).decode()
            write_manifest(night.files, msgspec.structs.replace(store.manifest(run), card=card, state=ENDED))
    return root


@pytest.fixture
def root(nights: Path, tmp_path: Path) -> Path:
    shutil.copytree(nights, tmp_path / "nights")
    list_runs(tmp_path / "nights")
    return tmp_path / "nights"


def keys(found: list[RunSummary]) -> list[tuple[str, str]]:
    return [(each.fixture, each.run) for each in found]


def give_unit(root: Path, fixture: str, run: str, unit: str) -> None:
    manifest = read_manifest(RealFiles(root), fixture, run)
    card = msgspec.json.encode(msgspec.structs.replace(CARD, unit=unit)).decode()
    write_manifest(RealFiles(root), msgspec.structs.replace(manifest, card=card))


def spoil_manifest(root: Path, fixture: str, run: str) -> None:
    path = root / "runs" / fixture / f"{run}.json"
    path.write_bytes(path.read_bytes()[:-9])


def test_the_runs_of_a_unit_are_those_on_every_fixture_in_order_of_their_start(root: Path) -> None:
    found = runs_of_unit(root, UNIT)

    assert keys(found) == OF_UNIT
    assert {each.unit for each in found} == {UNIT}
    assert found == [each for each in from_files(root)[::-1] if each.unit == UNIT]


def test_a_start_that_was_put_right_changes_the_order(root: Path) -> None:
    fixture, run = OF_UNIT[0]
    redate(root, run, 1, "mira", "the clock was a season behind", 86_400 * 60.0)

    assert keys(runs_of_unit(root, UNIT)) == [*OF_UNIT[1:], (fixture, run)]


def test_the_index_answers_and_of_other_units_no_folder_is_looked_at(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: Counter[str] = Counter()
    read, listed, looked = RealFiles.read, RealFiles.list, RealFiles.look

    def counted(kind: str, path: str) -> None:
        seen[kind] += 1
        seen["other"] += any(run in path for _, run, unit in NIGHTS if unit == OTHER)

    def counted_read(files: RealFiles, path: str) -> bytes:
        counted("read", path)
        return read(files, path)

    def counted_list(files: RealFiles, path: str) -> list[str]:
        counted("list", path)
        return listed(files, path)

    def counted_look(files: RealFiles, path: str) -> object:
        counted("look", path)
        return looked(files, path)

    monkeypatch.setattr(RealFiles, "read", counted_read)
    monkeypatch.setattr(RealFiles, "list", counted_list)
    monkeypatch.setattr(RealFiles, "look", counted_look)

    assert keys(runs_of_unit(root, UNIT)) == OF_UNIT
    assert (seen["read"], seen["other"]) == (1, 0)  # the log of retention
    assert seen["look"] > 0


def absent(root: Path) -> None:
    (root / DATABASE).unlink()


def no_database(root: Path) -> None:
    Catalogue(root).units()
    (root / DATABASE).write_bytes(b"no database")


def in_the_database(statement: str) -> object:
    def change(root: Path) -> None:
        with sqlite3.connect(root / DATABASE) as rows:
            rows.execute(statement)
            assert rows.total_changes
        rows.close()

    return change


@pytest.mark.parametrize(
    "spoil",
    [
        absent,
        no_database,
        in_the_database(f"update units set unit = '{OTHER}'"),
        in_the_database(f"update units set unit = '{UNIT}'"),
        in_the_database("update units set look = ''"),
        in_the_database("delete from units"),
        in_the_database(f"update summaries set unit = '{OTHER}'"),
        in_the_database("delete from summaries"),
    ],
)
def test_a_missing_stale_or_damaged_index_changes_no_answer(root: Path, spoil: object) -> None:
    expected = runs_of_unit(root, UNIT)
    assert callable(spoil)
    spoil(root)

    assert runs_of_unit(root, UNIT) == expected
    assert runs_of_unit(root, OTHER) == [each for each in from_files(root)[::-1] if each.unit == OTHER]


def test_a_manifest_that_names_another_unit_now_is_believed_and_not_the_index(root: Path) -> None:
    give_unit(root, *NIGHTS[2][:2], UNIT)
    give_unit(root, *NIGHTS[3][:2], OTHER)

    assert keys(runs_of_unit(root, UNIT)) == [each[:2] for each in NIGHTS[:3]]
    assert keys(runs_of_unit(root, OTHER)) == [each[:2] for each in NIGHTS[3:]]


def test_a_run_that_came_or_went_since_the_index_was_written_is_there_or_not(root: Path) -> None:
    fixture, run = OF_UNIT[0]
    (root / "runs" / fixture / f"{run}.json").unlink()
    assert keys(runs_of_unit(root, UNIT)) == OF_UNIT[1:]

    manifest = store.manifest("20261231T213000Z-00ff")
    card = msgspec.json.encode(msgspec.structs.replace(CARD, unit=UNIT)).decode()
    write_manifest(RealFiles(root), msgspec.structs.replace(manifest, card=card, state=ENDED))
    assert keys(runs_of_unit(root, UNIT)) == [*OF_UNIT[1:], (FIXTURE, manifest.run)]


@pytest.mark.parametrize("indexed", [True, False])
def test_a_unit_that_is_not_there_is_answered_with_those_that_are_near(root: Path, *, indexed: bool) -> None:
    if not indexed:
        (root / DATABASE).unlink()
    with pytest.raises(RunNotFoundError, match=f'no run of unit .Q-0118.; did you mean "{UNIT}"'):
        runs_of_unit(root, "Q-0118")
    with pytest.raises(RunNotFoundError, match=f"no run of unit .zz.; it has {UNIT}, {OTHER}$"):
        runs_of_unit(root, "zz")
    with pytest.raises(RunNotFoundError, match="is not a folder"):
        runs_of_unit(root / "none", UNIT)


def test_a_damaged_manifest_may_be_of_any_unit_and_its_cycles_are_left_out_with_a_warning(root: Path) -> None:
    fixture, run, _ = NIGHTS[2]
    spoil_manifest(root, fixture, run)

    harmed = runs_of_unit(root, UNIT)[2]
    assert (harmed.fixture, harmed.run, harmed.unit) == (fixture, run, "")
    assert run in harmed.unreadable[0]
    with pytest.warns(RunWarning, match=f"{run} of {fixture} are left out: .*{run}.json"):
        found = cycles_of_unit(root, UNIT, COLUMNS)
    assert set(found["run"]) == {run for _, run in OF_UNIT}
    with pytest.raises(RunNotFoundError, match="the units of 1 runs are not known"):
        runs_of_unit(root, "zz")


def one_by_one(root: Path, columns: list[str] | None) -> pd.DataFrame:
    frames = []
    for fixture, run in keys(runs_of_unit(root, UNIT)):
        frame = Run(root, fixture, run).cycles(columns)
        frame.insert(1, "fixture", fixture)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


@pytest.mark.parametrize("columns", [COLUMNS, None])
@pytest.mark.parametrize("redated", [True, False])
def test_the_cycles_of_a_unit_are_those_of_its_runs_one_after_the_other(
    root: Path, columns: list[str] | None, *, redated: bool
) -> None:
    if redated:
        redate(root, OF_UNIT[1][1], 1, "mira", "an hour ahead", -3600.25)
    found = cycles_of_unit(root, UNIT, columns)
    expected = one_by_one(root, columns)

    pd.testing.assert_frame_equal(found, expected, check_dtype=columns is not None)
    assert len(found) == 4 * len(OF_UNIT)
    assert found.attrs["units"]["friction_nm"] == "N·m"


def test_each_file_of_cycles_is_read_once(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: Counter[str] = Counter()
    own = ChunkFile.read

    def counted(each: ChunkFile, columns: list[str] | None = None) -> object:
        opened[each.path] += 1
        return own(each, columns)

    monkeypatch.setattr(ChunkFile, "read", counted)
    cycles_of_unit(root, UNIT, COLUMNS)

    of_unit = {
        path.relative_to(root).as_posix()
        for _, run in OF_UNIT
        for path in root.rglob(f"cycles/**/run={run}/*")
    }
    assert opened == dict.fromkeys(of_unit, 1)
    assert len(of_unit) == 2 * len(OF_UNIT)


def test_figures_that_were_cleared_are_said_and_the_others_are_there(root: Path) -> None:
    fixture, run = OF_UNIT[0]
    mark = Mark(
        what="cleared",
        utc_ns=1,
        by="mira",
        reason="older than the rule",
        fixture=fixture,
        run=run,
        kind="figures",
    )
    add_marks(RealFiles(root), [mark])
    for path in root.rglob(f"cycles/**/run={run}/*"):
        path.unlink()

    with pytest.warns(RunWarning, match=f"{run} of {fixture} are left out: .*by mira: older than the rule"):
        found = cycles_of_unit(root, UNIT, COLUMNS)
    assert [*dict.fromkeys(found["run"])] == [run for _, run in OF_UNIT[1:]]


def test_a_unit_without_a_cycle_has_an_empty_frame_with_its_columns(root: Path) -> None:
    for path in root.rglob("cycles/**/*.parquet"):
        path.unlink()

    assert cycles_of_unit(root, UNIT, COLUMNS).columns.tolist() == ["run", "fixture", *COLUMNS]
    assert cycles_of_unit(root, UNIT, COLUMNS).empty
    with pytest.raises(StorageError, match=r'no column .friction.*did you mean "friction_nm"'):
        cycles_of_unit(root, UNIT, ["friction"])


def test_what_is_known_of_units_is_the_same_with_and_without_the_catalogue(root: Path) -> None:
    spoil_manifest(root, *NIGHTS[0][:2])
    expected = {(fixture, run): unit for fixture, run, unit in NIGHTS} | {
        NIGHTS[0][:2]: summaries.UNIT_UNKNOWN
    }

    assert known_units(RealFiles(root)) == expected
    assert known_units(RealFiles(root)) == expected
    (root / DATABASE).unlink()
    assert known_units(RealFiles(root)) == expected
