"""A result is made once of the same data, again of other data, and never taken from a damaged file."""

import pickle
from pathlib import Path

import msgspec
import pyarrow.parquet as pq
import pytest
from pandas.testing import assert_frame_equal
from replay_logs.make import Recorded
from tests.reanalysis.test_again import amended, made_again, opened
from tests.storage.s3_server import BUCKET, s3_server

from nightturn.errors import ConfigError, CorruptFileError, StorageError
from nightturn.reanalysis import job
from nightturn.reanalysis.campaign import jobs_of
from nightturn.reanalysis.job import Job, carry_out
from nightturn.storage.files import RealFiles
from nightturn.storage.joining_raw import join_hours
from nightturn.storage.manifest import ENDED, read_manifest, write_manifest
from nightturn.storage.object_store import ObjectStore
from nightturn.storage.push import push
from nightturn.storage.runs import open_run


def results(made: Recorded) -> list[str]:
    folder = made.root / "reanalysis"
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


def test_job_and_outcome_travel_to_another_process(troubled: Recorded) -> None:
    given = Job(str(troubled.root), troubled.fixture, troubled.run, "standard")
    assert pickle.loads(pickle.dumps(given)) == given
    outcome = carry_out(given)
    assert pickle.loads(pickle.dumps(outcome)) == outcome


def test_a_result_that_is_there_is_not_made_again(troubled: Recorded) -> None:
    first = made_again(troubled)
    files = results(troubled)
    second = made_again(troubled)
    assert (first.already, second.already) == (False, True)
    assert msgspec.structs.replace(second, already=False, cpu_s=first.cpu_s) == first
    assert results(troubled) == files


def test_other_settings_or_methods_make_another_result_which_replaces_the_older_one(
    troubled: Recorded, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_again(troubled)
    seen = [results(troubled)]
    monkeypatch.setattr(job, "versions", lambda: "friction_nm 99")
    assert not made_again(troubled).already
    seen.append(results(troubled))
    amended(troubled, card=other_card(troubled))
    assert not made_again(troubled).already
    seen.append(results(troubled))
    assert [len(each) for each in seen] == [3, 3, 3]
    assert len({name for each in seen for name in each}) == 9


def other_card(made: Recorded) -> str:
    manifest = opened(made).manifest
    assert manifest is not None
    return manifest.card.replace("replay log", "another note")


def test_a_damaged_result_is_made_again_and_never_read(troubled: Recorded) -> None:
    path = troubled.root / made_again(troubled).path
    content = bytearray(path.read_bytes())
    content[200] ^= 1
    path.write_bytes(content)
    with pytest.raises(CorruptFileError, match="fails the checksum in its name"):
        opened(troubled).cycles(reanalysis="standard")
    assert not made_again(troubled).already
    assert len(opened(troubled).cycles(reanalysis="standard"))


def test_a_result_that_lies_at_another_run_is_refused(troubled: Recorded) -> None:
    path = troubled.root / made_again(troubled).path
    other = "20261125T220000Z-0001"
    raw = troubled.root / "raw" / f"fixture={troubled.fixture}" / "date=2026-11-25" / f"run={other}"
    raw.mkdir(parents=True)
    (raw / opened(troubled).chunks("raw")[0].path.rpartition("/")[2]).write_bytes(b"")
    moved = path.parent.with_name(f"run={other}") / path.name
    moved.parent.mkdir()
    moved.write_bytes(path.read_bytes())
    with pytest.raises(CorruptFileError, match=f"of run {troubled.run}"):
        type(opened(troubled))(troubled.root, troubled.fixture, other).cycles(reanalysis="standard")


def test_a_method_without_a_result_is_an_error_that_says_what_there_is(troubled: Recorded) -> None:
    with pytest.raises(StorageError, match="methods with results: none"):
        opened(troubled).cycles(reanalysis="standard")
    made_again(troubled)
    with pytest.raises(StorageError, match='did you mean "standard"'):
        opened(troubled).cycles(reanalysis="standart")
    with pytest.raises(StorageError, match="no column 'friction'"):
        opened(troubled).cycles(["friction"], reanalysis="standard")


def test_a_pushed_run_gives_the_same_result_in_a_folder_of_its_own(
    troubled: Recorded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "invented")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    files = RealFiles(troubled.root)
    written = read_manifest(files, troubled.fixture, troubled.run)
    write_manifest(files, msgspec.structs.replace(written, state=ENDED))
    here = carry_out(Job(str(troubled.root), troubled.fixture, troubled.run, "standard"))
    url, out = f"s3://{BUCKET}/{tmp_path.name}", tmp_path / "results"
    with s3_server() as endpoint:
        store = ObjectStore(url, endpoint)
        assert [each.problem for each in push(troubled.root, store)] == [""]
        with pytest.raises(ConfigError, match="--out"):
            jobs_of([url], "standard", endpoint=endpoint)
        (given,) = jobs_of([url], "standard", out=out, endpoint=endpoint)
        there = carry_out(given)
        assert (there.sums_equal, there.ok, carry_out(given).already) == (here.sums_equal, True, True)
        tables = [
            pq.read_table(root / each.path, partitioning=None)
            for root, each in ((out, there), (troubled.root, here))
        ]
        assert tables[0].equals(tables[1])
        (out / there.path).unlink()
        path = open_run(url, endpoint=endpoint).chunks("raw")[1].path
        content = store.read(path) or b""
        store.write(path, content[:-9])
        half = carry_out(given)
        store.remove(path)
        hole = carry_out(given)
    for outcome, words in (
        (half, "gives back CRC-32C"),
        (hole, "are in no raw chunk"),
        (carry_out(given), "reached"),
    ):
        assert (outcome.not_whole, outcome.path, words in outcome.problem) == (True, "", True)


def test_hours_that_were_joined_give_the_same_figures(troubled: Recorded) -> None:
    files = RealFiles(troubled.root)
    written = read_manifest(files, troubled.fixture, troubled.run)
    write_manifest(files, msgspec.structs.replace(written, state=ENDED))
    given = Job(str(troubled.root), troubled.fixture, troubled.run, "standard")
    before = carry_out(given)
    cycles = open_run(troubled.root).cycles(reanalysis="standard")
    (hours,) = join_hours(troubled.root, files, 1, "R. Vale")
    assert hours.files > hours.into > 1  # one for each epoch

    after = carry_out(given)
    assert (after.ok, after.sums_equal, after.samples) == (True, before.sums_equal, before.samples)
    assert_frame_equal(open_run(troubled.root).cycles(reanalysis="standard"), cycles)
