"""A run under a wrong wall clock: a recorded correction, applied by every reader, shown by whom and why, and nothing rewritten."""

import fcntl
from pathlib import Path

import pandas as pd
import pytest
from tests.storage.scenario import FIXTURE, RUN
from tests.storage.test_tidying import BY, DAY_30, everything, two_nights

from nightturn.errors import CorruptFileError, RunNotFoundError
from nightturn.model.rows import CLOCK, EVENTS, GAPS, SLOW, STROKES
from nightturn.storage import marking, paths
from nightturn.storage.marking import keep, redate
from nightturn.storage.marks import FOLDER, LOG
from nightturn.storage.runs import known_runs, list_runs, open_run
from nightturn.storage.verify import verify

HOUR_S = 3600.0
HOUR = pd.Timedelta(HOUR_S, unit="s")
LATE = "the host was an hour late"


def times_of(root: Path) -> dict[str, pd.Series]:
    """Every column of times that the readers give."""
    run = open_run(root, FIXTURE, RUN)
    found: dict[str, pd.Series] = {"samples": run.samples(columns=["index"]).index.to_series()}
    for dataset in (GAPS, EVENTS, CLOCK, SLOW, STROKES, "cycles", "summary1s"):
        frame = run.frame(dataset)
        for column in frame.select_dtypes(["datetimetz"]):
            found[f"{dataset} {column}"] = frame[column]
    return found


def test_every_time_that_is_read_is_corrected_and_no_file_of_the_run_is_changed(tmp_path: Path) -> None:
    two_nights(tmp_path)
    before, files = times_of(tmp_path), everything(tmp_path)
    span = open_run(tmp_path, FIXTURE, RUN).span
    assert {"samples", "gaps ts_from", "gaps ts_to", "events ts", "cycles ts_start"} <= set(before)
    redate(tmp_path, RUN, DAY_30, BY, LATE, HOUR_S)

    behind = times_of(tmp_path)
    assert set(behind) == set(before)
    for name, times in behind.items():
        assert list(times.dropna()) == list((before[name] + HOUR).dropna()), name
        assert len(times) == len(before[name])
    now = open_run(tmp_path, FIXTURE, RUN).span
    assert span is not None
    assert now == (span[0] + int(HOUR_S * 1e9), span[1] + int(HOUR_S * 1e9))
    written = {name: content for name, content in everything(tmp_path).items() if files.get(name) != content}
    assert {name for name in written if name != "retention/lock"} == {LOG, paths.marks_path(FIXTURE, RUN)}


def test_a_stretch_is_asked_for_by_the_corrected_times(tmp_path: Path) -> None:
    two_nights(tmp_path)
    run = open_run(tmp_path, FIXTURE, RUN)
    whole = run.samples(columns=["index"])
    start, stop = whole.index[1000], whole.index[2000]
    redate(tmp_path, RUN, DAY_30, BY, LATE, -HOUR_S)
    part = run.samples(start=start - HOUR, stop=stop - HOUR, columns=["index"])
    assert list(part["index"]) == list(whole["index"][1000:2000])
    assert part.index[0] == start - HOUR


def test_the_list_and_verify_say_by_how_much_by_whom_and_why_and_the_newest_correction_holds(
    tmp_path: Path,
) -> None:
    two_nights(tmp_path)

    def listed() -> tuple[float, str, pd.Timestamp]:
        (found,) = [each for each in list_runs(tmp_path) if each.run == RUN]
        return found.redated_s, found.redated, pd.Timestamp(found.started_utc)

    began = listed()[2]
    redate(tmp_path, RUN, DAY_30, BY, "a guess", 12.0)
    redate(tmp_path, RUN, DAY_30 + 1, "A. Wren", LATE, HOUR_S)
    said = f"times corrected by +3600.000 s by A. Wren: {LATE}"
    assert listed() == (HOUR_S, said, began + HOUR)
    report = verify(tmp_path, RUN).runs[0]
    assert (report.problems, report.corrections, report.redated) == ([], 2, said)
    redate(tmp_path, RUN, DAY_30 + 2, BY, "it was right", 0.0)
    assert listed() == (0.0, "", began)
    assert (verify(tmp_path, RUN).runs[0].corrections, verify(tmp_path, RUN).runs[0].redated) == (3, "")


@pytest.mark.parametrize("lost", ["log", "beside"])
def test_a_correction_is_not_lost_with_one_of_its_files_and_verify_names_that(
    tmp_path: Path, lost: str
) -> None:
    two_nights(tmp_path)
    redate(tmp_path, RUN, DAY_30, BY, LATE, HOUR_S)
    path = LOG if lost == "log" else paths.marks_path(FIXTURE, RUN)
    (tmp_path / path).unlink()
    assert [each.redated_s for each in list_runs(tmp_path) if each.run == RUN] == [HOUR_S]
    assert {each.path for each in verify(tmp_path, RUN).runs[0].problems} == {path}
    keep(tmp_path, RUN, DAY_30 + 1, BY, "again")
    assert verify(tmp_path, RUN).ok


def test_times_that_may_be_corrected_by_a_damaged_line_are_not_given_out(tmp_path: Path) -> None:
    two_nights(tmp_path)
    redate(tmp_path, RUN, DAY_30, BY, LATE, HOUR_S)
    place = tmp_path / paths.marks_path(FIXTURE, RUN)
    place.write_bytes(place.read_bytes().replace(b"3600", b"3601"))
    with pytest.raises(CorruptFileError, match="line 1 cannot be read"):
        open_run(tmp_path, FIXTURE, RUN).samples()
    assert any("may be corrected" in each.redated for each in list_runs(tmp_path))


def test_a_run_that_is_not_there_cannot_be_corrected(tmp_path: Path) -> None:
    two_nights(tmp_path)
    with pytest.raises(RunNotFoundError, match="nightturn runs"):
        redate(tmp_path, "20250101T000000Z-0000", DAY_30, BY, LATE, 1.0)


def test_a_run_is_looked_for_while_no_clearing_may_take_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[str] = []

    def listed(root: Path) -> dict[str, list[str]]:
        with (root / FOLDER / "lock").open() as lock, pytest.raises(BlockingIOError):
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        looked.append(root.name)
        return known_runs(root)

    two_nights(tmp_path)
    monkeypatch.setattr(marking, "known_runs", listed)
    keep(tmp_path, RUN, DAY_30, BY, LATE)
    redate(tmp_path, RUN, DAY_30, BY, LATE, HOUR_S)
    assert looked == [tmp_path.name] * 2
