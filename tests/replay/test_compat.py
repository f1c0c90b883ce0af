"""A store that an earlier version left is read, proven, replayed, recovered and gone on with; one of a newer major is refused.

`replay_logs/compat/` has one archive for each version that a person may have recorded with, named by its commit.
"""

import tarfile
from pathlib import Path

import msgspec
import pyarrow.parquet as pq
import pytest
from tests.daemon.processes import Processes

from nightturn.bench.cards import card_in_force
from nightturn.errors import ConfigError, SchemaVersionError, StorageError
from nightturn.model.lines import with_checksum
from nightturn.replay.figures import replay_figures
from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_run
from nightturn.settings.load import card_path, load_rig, read_card
from nightturn.storage.parquet import PREFIX, facts_of
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs
from nightturn.storage.segment import MAGIC, read_header
from nightturn.storage.verify import verify

FOLDER = Path(__file__).parents[2] / "replay_logs"
ENDED, INTERRUPTED = "20261127T161453Z-a4bd", "20261127T161614Z-883f"
SAMPLES = {ENDED: 62807, INTERRUPTED: 9900}
FRICTION_NM = (0.146048, 0.145983)
"""As the version that recorded them printed them; its methods were the first ones."""
TRUE_FRICTION_REL = 1e-4


@pytest.fixture(scope="module")
def left(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bench folder as that version left it: a run that ended with its plan, and one whose daemon was killed."""
    folder = tmp_path_factory.mktemp("left")
    with tarfile.open(FOLDER / "compat" / "f5dc633.tar.xz") as archive:
        archive.extractall(folder, filter="data")
    return folder


def test_its_runs_are_listed_read_and_proven(left: Path) -> None:
    runs = {each.run: each for each in list_runs(left / "nights")}
    assert {run: each.samples for run, each in runs.items()} == SAMPLES
    assert (runs[ENDED].state, runs[INTERRUPTED].state) == ("ended", "interrupted")
    run = Run(left / "nights", "pan-a1", ENDED)
    assert len(run.samples()) == SAMPLES[ENDED]
    assert run.cycles()["friction_nm"].to_list() == pytest.approx(FRICTION_NM, rel=1e-5)
    report = verify(left / "nights", run="all")
    assert report.ok
    assert any("has no checksum" in text for each in report.runs for text in each.unchecked)


def test_its_tape_replays_from_the_first_record_of_its_run_with_the_methods_of_now(left: Path) -> None:
    tape = tape_of_run(left / "nights", "pan-a1", ENDED)
    seen = replay(tape)
    assert seen.samples == SAMPLES[ENDED]
    for cycles in (seen.rows.cycles, replay_figures(tape).cycles):
        values = [cycle.figure("friction_nm").value for cycle in cycles]
        assert values == pytest.approx(FRICTION_NM, rel=TRUE_FRICTION_REL)
    assert seen.first_difference  # its core decided otherwise here and there, and nobody hides it


def test_in_the_middle_of_a_run_its_state_is_not_known_and_the_message_says_where_to_begin(
    left: Path,
) -> None:
    tape = tape_of_run(left / "nights", "pan-a1", ENDED)
    with pytest.raises(StorageError, match=r"version 4; .* replayed from the first segment of its run"):
        replay(type(tape)(tape.name, tape.files[1:], tape.run))


def test_its_open_tape_is_set_aside_and_named_and_its_run_goes_on(
    left: Path, tmp_path: Path, processes: Processes
) -> None:
    with tarfile.open(FOLDER / "compat" / "f5dc633.tar.xz") as archive:
        archive.extractall(tmp_path, filter="data")
    serve = processes.start("serve", str(tmp_path / "bench.toml"))
    serve.says("run_open")
    assert INTERRUPTED in serve.said
    assert "was set aside" in serve.said
    serve.says('"state": "locked"')
    assert serve.interrupt() == 0
    aside = list((tmp_path / "nights" / "journal").rglob("*.unreadable"))
    assert len(aside) == 1
    assert (left / "nights" / aside[0].relative_to(tmp_path / "nights")).with_suffix(
        ""
    ).read_bytes() == aside[0].read_bytes()
    (run,) = [each for each in list_runs(tmp_path / "nights") if each.run == INTERRUPTED]
    assert run.samples >= SAMPLES[INTERRUPTED]


def test_a_newer_tape_is_refused_with_both_versions(left: Path, tmp_path: Path) -> None:
    path = next((left / "nights" / "journal").rglob("sealed/*.ntj"))
    content = bytearray(path.read_bytes())
    content[len(MAGIC)] = 9  # the low byte of the major, as `segment._FIXED` lays it out
    newer = tmp_path / path.name
    newer.write_bytes(content)
    with pytest.raises(SchemaVersionError, match=r"tape format 9\.0; this nightturn reads 1\.x and 2\.x"):
        read_header(newer, newer.name)


def test_a_newer_parquet_file_is_refused_with_both_versions(left: Path, tmp_path: Path) -> None:
    path = next((left / "nights" / "raw").rglob("*.parquet"))
    metadata = {**(pq.read_metadata(path).metadata or {}), f"{PREFIX}schema".encode(): b"9.0"}
    newer = tmp_path / path.name
    pq.write_table(pq.read_table(path, partitioning=None).replace_schema_metadata(metadata), newer)
    with pytest.raises(SchemaVersionError, match=r"schema 9\.0; this nightturn reads 1\.x"):
        facts_of(pq.read_metadata(newer), newer.name)


def test_a_newer_mount_card_is_refused_with_both_versions_and_left_where_it_is(
    left: Path, tmp_path: Path
) -> None:
    own = read_card(left / "nights", "pan-a1")
    assert own is not None
    newer = {**msgspec.to_builtins(own), "schema": 9}
    path = card_path(tmp_path, "pan-a1")
    path.parent.mkdir()
    path.write_bytes(with_checksum(msgspec.json.encode(newer)) + b"\n")
    with pytest.raises(SchemaVersionError, match=r"mount card of schema 9; this nightturn reads 1"):
        card_in_force(tmp_path, "pan-a1", own)
    assert path.exists()


def test_a_newer_rig_file_is_refused_with_both_versions(left: Path, tmp_path: Path) -> None:
    text = (left / "bench.toml").read_text(encoding="utf-8")
    newer = tmp_path / "bench.toml"
    newer.write_text(text.replace("schema = 1", "schema = 9", 1), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"schema.*9.*1"):
        load_rig(newer)
