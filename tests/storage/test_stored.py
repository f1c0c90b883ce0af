"""Runs read where a push has put them: as on the disk, or a sentence; never a half as a whole."""

import socket
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import cast

import msgspec
import pandas as pd
import pytest
from tests.storage.damages import CARD
from tests.storage.s3_server import BUCKET, s3_server
from tests.storage.scenario import FIXTURE, RUN, rows_of_every_dataset
from tests.storage.store import Night, manifest
from tests.storage.test_push import Breaking, Remembered, objects_of

from nightturn.errors import (
    ConfigError,
    NotWholeError,
    ObjectStoreError,
    RunNotFoundError,
    StorageError,
)
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.joining import join_run
from nightturn.storage.manifest import ENDED, write_manifest
from nightturn.storage.marks import Mark, add_marks
from nightturn.storage.object_store import ObjectStore
from nightturn.storage.push import push
from nightturn.storage.reader import Run
from nightturn.storage.runs import found_runs, list_runs, open_run
from nightturn.storage.stored import ObjectFiles, stored_at
from nightturn.storage.unit_runs import cycles_of_unit, runs_of_unit

LATER = "20261126T213000Z-5a00"
MANIFEST = paths.manifest_path(FIXTURE, LATER)
COLUMNS = ["ts_end", "friction_nm"]


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with s3_server() as found:
        yield found


@pytest.fixture(autouse=True)
def _credentials(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "invented")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"s3://{BUCKET}/{tmp_path.name}"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Two runs of one unit that have ended, each of two chunks with every dataset."""
    place = tmp_path / "nights"
    card = msgspec.json.encode(CARD).decode()
    for run in (RUN, LATER):
        night = Night(place, run)
        night.add_chunk(2000, leave_out=(1,), rows=rows_of_every_dataset())
        night.add_chunk(2000)
        night.files.close()
        write_manifest(night.files, msgspec.structs.replace(manifest(run), card=card, state=ENDED))
    return place


@pytest.fixture
def store(root: Path, url: str, endpoint: str) -> ObjectStore:
    """The place with both runs pushed."""
    store = ObjectStore(url, endpoint)
    assert [each.problem for each in push(root, store)] == ["", ""]
    return store


@pytest.mark.parametrize("joined", [False, True])
def test_everything_of_a_run_reads_as_on_the_disk(
    root: Path, store: ObjectStore, url: str, endpoint: str, *, joined: bool
) -> None:
    if joined:
        join_run(root, RealFiles(root), FIXTURE, LATER)
        list(push(root, store))
    here, there = open_run(root), open_run(url, endpoint=endpoint)

    assert (there.fixture, there.run, there.manifest) == (FIXTURE, LATER, here.manifest)
    for dataset in tree.DATASETS[1:]:
        pd.testing.assert_frame_equal(there.frame(dataset), here.frame(dataset))
        assert len(there.chunks(dataset)) == len(here.chunks(dataset))
    first, last = here.span or (0, 0)
    middle = (first + last) // 2
    assert there.span == here.span
    for start, stop in ((None, None), (middle, middle + 10_000_000)):
        mine, own = (each.samples(start, stop, ["torque_nm", "angle_rad", "index"]) for each in (there, here))
        pd.testing.assert_frame_equal(mine, own)
        assert len(mine) > 0
    assert [len(tile.raw) for tile in there.tiles(0.1)] == [len(tile.raw) for tile in here.tiles(0.1)]
    assert there.cycles(COLUMNS).equals(here.cycles(COLUMNS))


def test_a_list_and_a_unit_are_as_on_the_disk(
    root: Path, store: ObjectStore, url: str, endpoint: str
) -> None:
    assert store.url == url

    assert list_runs(url, endpoint=endpoint) == list_runs(root)
    assert list_runs(url, CARD.unit, endpoint=endpoint) == list_runs(root)
    assert list_runs(url, "Q-none", endpoint=endpoint) == []
    assert runs_of_unit(url, CARD.unit, endpoint=endpoint) == runs_of_unit(root, CARD.unit)
    mine = cycles_of_unit(url, CARD.unit, COLUMNS, endpoint=endpoint)
    pd.testing.assert_frame_equal(mine, cycles_of_unit(root, CARD.unit, COLUMNS))
    with pytest.raises(RunNotFoundError, match=f"{url} has no run of unit .zz.; it has {CARD.unit}$"):
        runs_of_unit(url, "zz", endpoint=endpoint)
    assert not (root.parent / "s3:").exists()


def test_a_run_that_is_not_there_is_answered_with_what_is(
    store: ObjectStore, url: str, endpoint: str
) -> None:
    with pytest.raises(RunNotFoundError, match=f"its newest of 2: {RUN}, {LATER}"):
        open_run(url, FIXTURE, "20270101T000000Z-0000", endpoint=endpoint)
    with pytest.raises(RunNotFoundError, match="contains no runs of pan-z9; it has pan-a1"):
        open_run(url, "pan-z9", endpoint=endpoint)
    with pytest.raises(RunNotFoundError, match=f"{url}/none contains no run that is whole"):
        open_run(f"{url}/none", endpoint=endpoint)
    with pytest.raises(StorageError, match="is not a run id"):
        open_run(url, FIXTURE, "../x", endpoint=endpoint)
    assert list_runs(f"{url}/none", endpoint=endpoint) == []
    assert store.sizes("runs") != {}


class InMemory(Remembered):
    """A store in memory that can be read as one of S3 can, for pushes that break off at every single write."""

    url = "s3://memory/basement"

    def names(self, folder: str) -> dict[str, int | None]:
        below = [path.removeprefix(f"{folder}/") for path in self.objects if path.startswith(f"{folder}/")]
        return {
            path.partition("/")[0]: None if "/" in path else len(self.objects[f"{folder}/{path}"])
            for path in below
        }

    def size(self, path: str) -> int:
        if path not in self.objects:
            raise FileNotFoundError(path)
        return len(self.objects[path])

    def end(self, path: str, at_most: int) -> bytes:
        return self.objects[path][-at_most:]


def asked_of_a_half(place: ObjectFiles) -> list[Callable[[], object]]:
    """Every way to the files of the later run."""
    run = Run(place, FIXTURE, LATER)
    return [
        lambda: open_run(place, FIXTURE, LATER),
        lambda: open_run(place, None, LATER),
        lambda: found_runs(place, LATER),
        run.cycles,
        run.samples,
        lambda: list(run.tiles()),
    ]


@pytest.mark.parametrize("half", [False, True])
def test_wherever_a_push_breaks_off_the_run_is_a_sentence_and_the_older_one_is_the_newest(
    root: Path, *, half: bool
) -> None:
    """Each write of the second run in turn: nothing or half an object left."""
    apart = [path for path in root.rglob("*") if path.is_file() and "journal" not in path.parts]
    first, whole = (sum(run in path.as_posix() for path in apart) for run in (RUN, LATER))
    expected = list_runs(root)
    seen = set()
    for at in range(first, first + whole):
        store = InMemory()
        with pytest.raises(ObjectStoreError, match="the client died"):
            list(push(root, Breaking(store, at, half=half)))
        place = ObjectFiles(cast("ObjectStore", store))
        listed = list_runs(place)
        seen.add(len(listed))
        assert listed[-1] == expected[-1]
        assert open_run(place).run == RUN
        assert [each.run for each in found_runs(place, "latest")] == [RUN]
        if len(listed) == 1:
            continue
        halved = listed[0]
        assert (halved.run, halved.state, halved.samples, halved.cycles) == (LATER, "unknown", 0, 0)
        assert "is not whole in" in halved.unreadable[0]
        for ask in asked_of_a_half(place):
            with pytest.raises(NotWholeError, match=f"run {LATER} of {FIXTURE} is not whole in {store.url}"):
                ask()
    assert seen == {1, 2}


def test_a_place_with_nothing_but_a_half_says_so(root: Path, url: str, endpoint: str) -> None:
    with pytest.raises(ObjectStoreError, match="the client died"):
        list(push(root, Breaking(ObjectStore(url, endpoint), 3, half=True)))
    ObjectStore(url, endpoint).write(f"raw/fixture={FIXTURE}/date=2026-11-25/run={RUN}/left", b"half")

    with pytest.raises(RunNotFoundError, match="contains no run that is whole"):
        open_run(url, endpoint=endpoint)
    with pytest.raises(NotWholeError, match="push it again"):
        found_runs(stored_at(url, endpoint), "latest")


def object_of(store: ObjectStore, dataset: str) -> str:
    return next(
        path for path in sorted(objects_of(store)) if path.startswith(f"{dataset}/") and LATER in path
    )


@pytest.mark.parametrize("dataset", ["cycles", "raw", "gaps"])
@pytest.mark.parametrize("damage", ["half", "other", "empty"])
def test_an_object_that_is_not_what_was_written_is_never_read(
    store: ObjectStore, url: str, endpoint: str, dataset: str, damage: str
) -> None:
    path = object_of(store, dataset)
    own = store.read(path) or b""
    flipped = own[:40] + bytes([own[40] ^ 1]) + own[41:]  # in a page
    store.write(path, {"half": own[: len(own) // 2], "other": flipped, "empty": b""}[damage])
    run = open_run(url, endpoint=endpoint)

    with pytest.raises(NotWholeError, match=f"{url}/{path} gives back CRC-32C .*`nightturn push --check`"):
        run.samples(columns=["index"]) if dataset == "raw" else run.frame(dataset)
    (harmed, whole) = list_runs(url, endpoint=endpoint)
    assert (whole.run, whole.unreadable) == (RUN, ())
    assert bool(harmed.unreadable) == (damage != "other")  # a list reads footers


def test_the_folder_of_a_run_is_listed_once(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = InMemory()
    list(push(root, store))
    asked: Counter[str] = Counter()
    names = InMemory.names

    def counted(own: InMemory, folder: str) -> dict[str, int | None]:
        asked[folder] += 1
        return names(own, folder)

    monkeypatch.setattr(InMemory, "names", counted)
    place = ObjectFiles(cast("ObjectStore", store))

    assert list_runs(place) == list_runs(root)
    of_runs = {folder: times for folder, times in asked.items() if "/run=" in folder}
    assert {folder.partition("/")[0] for folder in of_runs} == {"raw", "cycles", "gaps"}
    assert set(of_runs.values()) == {1, 2}  # twice where there is none, which a later push may make
    assert all(times == 1 for folder, times in of_runs.items() if names(store, folder))


def test_an_object_that_went_since_it_was_listed_is_said(store: ObjectStore, url: str, endpoint: str) -> None:
    path = object_of(store, "cycles")
    run = open_run(url, endpoint=endpoint)
    assert len(run.chunks("cycles")) == 1
    store.remove(path)

    with pytest.raises(NotWholeError, match="was listed and is not there any more; open the run again"):
        run.cycles()


@pytest.mark.parametrize("dataset", ["cycles", "raw"])
def test_two_objects_of_the_same_records_are_not_read_twice(
    store: ObjectStore, url: str, endpoint: str, dataset: str
) -> None:
    path = object_of(store, dataset)
    other = f"{path.rpartition('-')[0]}-00000000.parquet"
    store.write(other, store.read(path) or b"")
    run = open_run(url, endpoint=endpoint)

    with pytest.raises(NotWholeError, match=r"holds the same records as .*; delete the one that"):
        run.samples(columns=["index"]) if dataset == "raw" else run.cycles()
    (harmed, whole) = list_runs(url, endpoint=endpoint)
    assert (whole.unreadable, harmed.run) == ((), LATER)
    assert "holds the same records as" in harmed.unreadable[0]


def test_what_retention_cleared_here_is_still_there(
    root: Path, store: ObjectStore, url: str, endpoint: str
) -> None:
    mark = Mark(what="cleared", utc_ns=1, by="mira", reason="old", fixture=FIXTURE, run=LATER, kind="raw")
    before = open_run(root).samples(columns=["index"])
    add_marks(RealFiles(root), [mark])
    for path in root.rglob(f"raw/**/run={LATER}/*"):
        path.unlink()
    list(push(root, store))

    assert list_runs(root)[0].cleared == ("raw",)
    listed = list_runs(url, endpoint=endpoint)[0]
    assert (listed.cleared, listed.samples) == ((), len(before))
    pd.testing.assert_frame_equal(open_run(url, endpoint=endpoint).samples(columns=["index"]), before)


def test_a_store_that_cannot_be_read_is_said(
    store: ObjectStore, url: str, endpoint: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = open_run(url, endpoint=endpoint)
    with pytest.raises(ObjectStoreError, match="has no bucket nowhere"):
        list_runs("s3://nowhere/x", endpoint=endpoint)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        silent = f"http://127.0.0.1:{free.getsockname()[1]}"
    with pytest.raises(ObjectStoreError, match=f"{silent} cannot be reached"):
        open_run(url, endpoint=silent)
    monkeypatch.setattr(
        "moto.settings.INITIAL_NO_AUTH_ACTION_COUNT", 0.0
    )  # from here on the server knows nobody
    for ask in (
        lambda: open_run(url, endpoint=endpoint),
        lambda: list_runs(url, endpoint=endpoint),
        run.cycles,
    ):
        with pytest.raises(ObjectStoreError, match="refuses the credentials"):
            ask()
    assert store.url == url


@pytest.mark.parametrize(
    ("root", "endpoint", "where"), [("s3:///x", "", "ROOT"), ("nights", "http://h:1", "--endpoint")]
)
def test_a_place_that_is_none_is_an_error_of_the_command(root: str, endpoint: str, where: str) -> None:
    with pytest.raises(ConfigError, match=f"^{where}"):
        stored_at(root, endpoint)


def test_of_a_footer_only_the_end_of_the_object_is_read(
    store: ObjectStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the footer is longer than what is read at once."""
    files, path = ObjectFiles(store), object_of(store, "cycles")
    expected = files.footer(path)
    asked: list[int] = []
    end = ObjectStore.end

    def counted(own: ObjectStore, path: str, at_most: int) -> bytes:
        asked.append(at_most)
        return end(own, path, at_most)

    monkeypatch.setattr(ObjectStore, "end", counted)
    monkeypatch.setattr("nightturn.storage.stored.FOOTER_BYTES", 64)

    assert files.footer(path).equals(expected)
    assert asked == [64, expected.serialized_size + 8]
