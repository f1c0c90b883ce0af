"""`verify` and the readers of a place to which runs were pushed, when objects of it are deleted, halved or exchanged."""

from collections.abc import Callable
from pathlib import Path
from typing import cast

import msgspec
import pytest
from crc32c import crc32c
from tests.storage.scenario import FIXTURE, RUN, rows_of_every_dataset
from tests.storage.store import Night, manifest
from tests.storage.test_stored import InMemory

from nightturn.errors import NotWholeError, ObjectStoreError
from nightturn.model.rows import GAPS
from nightturn.storage import paths
from nightturn.storage.files import RealFiles
from nightturn.storage.joining import join_run
from nightturn.storage.manifest import ENDED, write_manifest
from nightturn.storage.object_store import ObjectStore
from nightturn.storage.push import push
from nightturn.storage.reader import RunWarning
from nightturn.storage.runs import open_run
from nightturn.storage.stored import ObjectFiles
from nightturn.storage.verify import verify

LATER = "20261126T213000Z-5a00"
MANIFEST = paths.manifest_path(FIXTURE, LATER)
Found = set[tuple[str, str]]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Two runs that have ended, each of three chunks."""
    place = tmp_path / "nights"
    rows = [row for row in rows_of_every_dataset() if row.dataset != GAPS]
    for run in (RUN, LATER):
        night = Night(place, run)
        night.add_chunk(1000, leave_out=(1,), rows=rows)
        night.add_chunk(1000)
        night.add_chunk(1000)
        night.files.close()
        last = night.journal.next_record_no - 1
        write_manifest(
            night.files,
            msgspec.structs.replace(manifest(run), state=ENDED, record_first=1, record_last=last),
        )
    return place


@pytest.fixture
def store(root: Path) -> InMemory:
    store = InMemory()
    assert [each.problem for each in push(root, store)] == ["", ""]
    return store


def place_of(store: InMemory) -> ObjectFiles:
    return ObjectFiles(cast("ObjectStore", store))


def said_of(store: InMemory) -> dict[str, Found]:
    """Kind and dataset, or folder, of every problem, by run; what no run is found for under `root`."""
    report = verify(place_of(store), "all")
    found = {each.run: {(p.kind, p.path.partition("/")[0]) for p in each.problems} for each in report.runs}
    return {**found, "root": {(p.kind, p.path.partition("/")[0]) for p in report.problems}}


def object_of(store: InMemory, dataset: str, number: int = 0) -> str:
    return sorted(path for path in store.objects if path.startswith(f"{dataset}/") and LATER in path)[number]


@pytest.mark.parametrize("joined", [False, True])
def test_what_verify_counts_in_a_place_is_what_it_counts_on_the_disk(root: Path, *, joined: bool) -> None:
    if joined:
        join_run(root, RealFiles(root), FIXTURE, LATER)
    store = InMemory()
    list(push(root, store))
    mine, there = verify(root, "all"), verify(place_of(store), "all")

    assert (mine.ok, there.ok, len(there.runs)) == (True, True, 2)
    for own, other in zip(mine.runs, there.runs, strict=True):
        for name in ("files", "bytes", "chunks", "stored", "span", "missing", "produced", "holes"):
            assert getattr(other, name) == getattr(own, name)
        assert (own.segments, other.segments, other.state) == (3, 0, "ended")
        assert any("tape is not pushed" in each for each in other.unchecked)


@pytest.mark.parametrize(
    ("dataset", "number", "kind"),
    [("cycles", 0, "missing_file"), ("gaps", 0, "missing_file"), ("raw", 0, "missing_chunk"),
     ("raw", 1, "missing_chunk"), ("raw", 2, "missing_chunk")],
)  # fmt: skip
def test_an_object_that_was_deleted_is_found(store: InMemory, dataset: str, number: int, kind: str) -> None:
    assert said_of(store) == {RUN: set(), LATER: set(), "root": set()}
    store.remove(object_of(store, dataset, number))

    found = said_of(store)
    assert (kind, dataset) in found[LATER]
    assert (found[RUN], found["root"]) == (set(), set())


@pytest.mark.parametrize("dataset", ["events", "raw"])
def test_half_an_object_a_foreign_one_and_one_too_many_are_found(store: InMemory, dataset: str) -> None:
    path = object_of(store, dataset)
    own = store.objects[path]
    store.write(path, own[: len(own) // 2])
    assert ("not_whole", dataset) in said_of(store)[LATER]
    assert verify(place_of(store), "all").not_whole

    foreign = store.objects[path.replace(LATER, RUN).rpartition("/")[0] + "/" + next(
        each.rpartition("/")[2] for each in sorted(store.objects) if each.startswith(f"{dataset}/") and RUN in each
    )]  # fmt: skip
    store.remove(path)
    other = f"{path.rpartition('-')[0]}-{crc32c(foreign):08x}.parquet"
    store.write(other, foreign)
    assert ("identity", dataset) in said_of(store)[LATER]

    store.remove(other)
    store.write(path, own)
    store.write(f"{path.rpartition('/')[0]}/left.parquet", own)
    assert said_of(store)[LATER] == {("stray", dataset)}


def test_a_run_without_a_whole_manifest_is_named_and_the_others_are_checked(store: InMemory) -> None:
    content = store.objects[MANIFEST]
    store.write(MANIFEST, content[:-20])
    assert said_of(store) == {RUN: set(), "root": {("not_whole", "runs")}}
    store.remove(MANIFEST)
    assert said_of(store) == {RUN: set(), "root": {("not_whole", "raw")}}
    with pytest.raises(NotWholeError, match="push it again"):
        verify(place_of(store), LATER, FIXTURE)


def test_a_store_that_stops_answering_is_no_damage(store: InMemory, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(own: InMemory, path: str) -> bytes | None:
        if path.startswith("raw/"):
            raise ObjectStoreError("the object store cannot be reached")
        return own.objects.get(path)

    monkeypatch.setattr(InMemory, "read", refused)
    with pytest.raises(ObjectStoreError, match="cannot be reached"):
        verify(place_of(store), "all")


@pytest.mark.parametrize("number", [0, 1, 2])
def test_samples_whose_chunk_was_deleted_are_an_error_and_no_hole(
    root: Path, store: InMemory, number: int
) -> None:
    run = open_run(place_of(store), FIXTURE, LATER)
    spans = [each.span or (0, 0) for each in run.chunks(paths.RAW)]
    gone = run.chunks(paths.RAW)[number]
    store.remove(gone.path)
    run = open_run(place_of(store), FIXTURE, LATER)
    first_ns, last_ns = spans[number]

    words = f"records {gone.name.first} to {gone.name.last} of the run are in no raw chunk"
    asked: list[Callable[[], object]] = [run.samples, lambda: list(run.tiles())]
    if number == 1:  # at an end of the run nothing says to which time it reached
        asked.append(lambda: run.samples(first_ns - 1000, last_ns + 1000))
    for ask in asked:
        with pytest.raises(NotWholeError, match=words):
            ask()
    for other, span in enumerate(spans):
        if other != number:
            assert len(run.samples(*span, columns=["index"])) > 0
    (root / gone.path).unlink()
    with pytest.warns(RunWarning, match=words):
        open_run(root, FIXTURE, LATER).samples(columns=["index"])
