"""A result is made once of the same data, again of other data, and never taken from a damaged file."""

import pickle

import msgspec
import pytest
from replay_logs.make import Recorded
from tests.reanalysis.test_again import amended, made_again, opened

from nightturn.errors import CorruptFileError, StorageError
from nightturn.reanalysis import job
from nightturn.reanalysis.job import Job, carry_out


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
