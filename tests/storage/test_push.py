"""A data root copied to an object store: whole or without its manifest, wherever the push broke off."""

import socket
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from crc32c import crc32c
from tests.storage.damages import CARD
from tests.storage.s3_server import BUCKET, s3_server
from tests.storage.scenario import FIXTURE, RUN, rows_of_every_dataset
from tests.storage.store import Night, manifest

from nightturn.errors import ConfigError, ObjectStoreError, RunNotFoundError
from nightturn.storage import paths
from nightturn.storage.files import RealFiles
from nightturn.storage.joining import join_run
from nightturn.storage.manifest import ENDED, write_manifest
from nightturn.storage.object_store import ObjectStore
from nightturn.storage.push import Pushed, Store, push

URL = f"s3://{BUCKET}/basement"
MANIFEST = paths.manifest_path(FIXTURE, RUN)
WAITING = "20261231T210000Z-00aa"


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with s3_server() as found:
        yield found


@pytest.fixture
def store(endpoint: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> ObjectStore:
    """A place of this test's own, with credentials from the environment."""
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "invented")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    return ObjectStore(f"{URL}/{tmp_path.name}", endpoint)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A run that has ended, of two chunks with every dataset, and one that has not."""
    place = tmp_path / "nights"
    night = Night(place)
    night.add_chunk(2000, leave_out=(1,), rows=rows_of_every_dataset())
    night.add_chunk(2000)
    night.files.close()
    card = msgspec.json.encode(CARD).decode()
    write_manifest(night.files, msgspec.structs.replace(manifest(), card=card, state=ENDED))
    write_manifest(night.files, manifest(WAITING))
    (place / "calibrations").mkdir()
    (place / "calibrations" / "TR-204.jsonl").write_text("{}\n", encoding="utf-8")
    return place


def files_of(root: Path) -> dict[str, bytes]:
    """Every file that a push copies, by path."""
    found = {
        path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*") if path.is_file()
    }
    apart = ("journal/", "catalogue", f"runs/{FIXTURE}/{WAITING}")
    return {path: content for path, content in found.items() if not path.startswith(apart)}


def objects_of(store: ObjectStore) -> dict[str, bytes | None]:
    return {path: store.read(path) for path in store.sizes("")}


def only(found: Iterator[Pushed]) -> Pushed:
    """What became of the run that has ended; the other one waits."""
    ended, waiting = found
    assert (waiting.run, waiting.skipped[:13]) == (WAITING, "has not ended")
    assert ended.run == RUN
    return ended


class Remembered:
    """A store in memory, for pushes that break off at every single write."""

    def __init__(self) -> None:
        self.objects: dict[str, bytes] = {}

    def sizes(self, folder: str) -> dict[str, int]:
        return {path: len(content) for path, content in self.objects.items() if path.startswith(f"{folder}/")}

    def read(self, path: str) -> bytes | None:
        return self.objects.get(path)

    def write(self, path: str, content: bytes) -> None:
        self.objects[path] = content

    def remove(self, path: str) -> None:
        del self.objects[path]


class Breaking:
    """A store at which the client dies: at one of its writes, which leaves half an object, or before."""

    def __init__(self, of: Store, after: int, *, half: bool) -> None:
        self.sizes, self.read, self.remove = of.sizes, of.read, of.remove
        self._of, self._left, self._half = of, after, half

    def write(self, path: str, content: bytes) -> None:
        self._left -= 1
        if self._left < 0:
            if self._half:
                self._of.write(path, content[: len(content) // 2])
            raise ObjectStoreError("the client died")
        self._of.write(path, content)


def test_what_was_joined_since_the_last_push_takes_the_place_of_its_parts_there(root: Path) -> None:
    store = Remembered()
    only(push(root, store))
    parts = {path for path in store.objects if path.startswith("summary1s/")}
    assert len(parts) > 1
    join_run(root, RealFiles(root), FIXTURE, RUN)
    only(push(root, store))
    assert store.objects == files_of(root)
    assert not parts & set(store.objects)


@pytest.mark.parametrize("after", range(3))  # two joined files and the manifest
def test_a_push_that_dies_between_leaves_the_run_without_its_manifest_there(root: Path, after: int) -> None:
    store = Remembered()
    only(push(root, store))
    join_run(root, RealFiles(root), FIXTURE, RUN)
    with pytest.raises(ObjectStoreError):
        only(push(root, Breaking(store, after, half=False)))
    assert MANIFEST not in store.objects
    only(push(root, store))
    assert store.objects == files_of(root)


def test_every_file_of_a_run_that_has_ended_is_there_byte_for_byte_and_is_sent_once(
    root: Path, store: ObjectStore
) -> None:
    local = files_of(root)
    first = only(push(root, store))
    assert objects_of(store) == local
    of_run = [path for path in local if not path.startswith("calibrations")]
    assert (first.files, first.sent, first.problem) == (len(of_run), len(of_run), "")
    assert first.bytes == sum(len(local[path]) for path in of_run)
    assert only(push(root, store)).sent == 0
    assert only(push(root, store, check=True)).sent == 0


@pytest.mark.parametrize("half", [False, True])
def test_wherever_it_breaks_off_no_manifest_is_whole_and_the_next_push_sends_the_rest(
    root: Path, *, half: bool
) -> None:
    """Each write of a push in turn, with nothing and with half of the object left behind."""
    local = files_of(root)
    for at in range(len(local)):
        store = Remembered()
        with pytest.raises(ObjectStoreError, match="the client died"):
            list(push(root, Breaking(store, at, half=half)))
        assert store.objects.get(MANIFEST) != local[MANIFEST]
        assert sum(content == local[path] for path, content in store.objects.items()) == at
        shared = min(at, 1)
        assert only(push(root, store)).sent == len(local) - 1 - (at - shared)
        assert store.objects == local


def test_a_push_that_broke_off_goes_on_in_a_real_store(root: Path, store: ObjectStore) -> None:
    local = files_of(root)
    with pytest.raises(ObjectStoreError, match="the client died"):
        list(push(root, Breaking(store, 7, half=True)))
    assert MANIFEST not in objects_of(store)
    assert only(push(root, store)).sent == len(local) - 7
    assert objects_of(store) == local


def test_an_object_of_the_right_size_and_other_bytes_is_found_and_sent_again(
    root: Path, store: ObjectStore
) -> None:
    local = files_of(root)
    path = next(path for path in local if path.startswith("raw/"))
    store.write(path, bytes(len(local[path])))
    assert only(push(root, store)).sent == len(local) - 1
    store.write(path, bytes(len(local[path])))
    assert only(push(root, store)).sent == 0  # by sizes alone, of a run that was proven once
    assert only(push(root, store, check=True)).sent == 2  # and its manifest, which went meanwhile
    assert objects_of(store) == local


def test_an_object_that_is_gone_takes_the_manifest_away_until_it_is_back(
    root: Path, store: ObjectStore
) -> None:
    only(push(root, store))
    path = next(path for path in store.sizes("") if path.startswith("cycles/"))
    store.remove(path)
    with pytest.raises(ObjectStoreError):
        list(push(root, Breaking(store, 0, half=False)))
    assert MANIFEST not in objects_of(store)
    assert only(push(root, store)).sent == 2
    assert objects_of(store) == files_of(root)


def test_a_damaged_file_of_the_data_root_is_named_and_its_run_gets_no_manifest(
    root: Path, store: ObjectStore
) -> None:
    path = next(path for path in root.rglob("c*.parquet") if "/raw/" in path.as_posix())
    content = bytearray(path.read_bytes())
    content[-100] ^= 1
    path.write_bytes(content)
    found = only(push(root, store))
    assert path.name in found.problem
    assert MANIFEST not in objects_of(store)
    assert f"{crc32c(content):08x}" not in path.name


def test_a_bucket_that_is_not_there_and_a_root_without_runs_are_said(
    endpoint: str, root: Path, store: ObjectStore, tmp_path: Path
) -> None:
    with pytest.raises(ObjectStoreError, match="has no bucket nowhere; make it first"):
        ObjectStore("s3://nowhere/x", endpoint).check_there()
    with pytest.raises(ObjectStoreError, match="has no bucket nowhere"):
        list(push(root, ObjectStore("s3://nowhere/x", endpoint)))
    with pytest.raises(RunNotFoundError, match="contains no runs"):
        list(push(tmp_path / "raw", store))


def test_a_server_that_does_not_answer_is_said(store: ObjectStore) -> None:
    store.check_there()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        nowhere = f"http://127.0.0.1:{free.getsockname()[1]}"
    with pytest.raises(ObjectStoreError, match=f"{nowhere} cannot be reached"):
        ObjectStore(URL, nowhere).check_there()


@pytest.mark.parametrize(
    ("url", "endpoint", "where"),
    [
        ("nights", "", "TO"),
        ("s3:///x", "", "TO"),
        ("gs://b/x", "", "TO"),
        ("s3://b", "127.0.0.1:5000", "--endpoint"),
        ("s3://b", "http://127.0.0.1:5000/path", "--endpoint"),
    ],
)
def test_a_place_that_is_none_is_an_error_of_the_command(url: str, endpoint: str, where: str) -> None:
    with pytest.raises(ConfigError, match=f"^{where}"):
        ObjectStore(url, endpoint)


def test_credentials_that_nobody_knows_are_refused(
    root: Path, store: ObjectStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "moto.settings.INITIAL_NO_AUTH_ACTION_COUNT", 0.0
    )  # from here on the server knows nobody
    with pytest.raises(ObjectStoreError, match="refuses the credentials"):
        store.check_there()
    with pytest.raises(ObjectStoreError, match="refuses the credentials"):
        list(push(root, store))
