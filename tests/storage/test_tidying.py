"""Tidying a real root: shown first, recorded, nothing looks damaged behind it, and what is kept or not over stays."""

import json
from pathlib import Path

import msgspec
import pytest
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS
from tests.storage.store import Night, full_night

from nightturn.errors import CorruptFileError, RunNotFoundError, StorageError
from nightturn.settings.retained import Keep, KeepTape, Retention
from nightturn.storage import paths, tree
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.manifest import read_manifest, write_manifest
from nightturn.storage.marking import keep
from nightturn.storage.marks import LOG, Mark, add_marks, read_marks
from nightturn.storage.recovery import next_record_no
from nightturn.storage.retention import DAY_NS
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.tidying import tidy
from nightturn.storage.verify import verify

NEXT = "20261126T213000Z-7b21"
DAY_30 = STARTED_NS + 30 * DAY_NS
ALL = Retention(tape=KeepTape(days=10), raw=Keep(days=10), figures=Keep(days=10))
BY = "R. Vale"


def two_nights(root: Path) -> Night:
    """A run that is over and wholly sealed, and a later one under way."""
    night = full_night(root)
    night.journal.close()
    for path in tree.segments(night.files, paths.journal_folder(FIXTURE)):
        night.files.remove(path)  # it holds no record
    end(night, RUN)
    first = 1 + max(each.record_last for each in night.catalogue.chunks(FIXTURE, RUN, paths.RAW))
    night.run = NEXT
    night.journal.open(first, NEXT, 2, b"state")
    manifest = msgspec.structs.replace(read_manifest(night.files, FIXTURE, RUN), run=NEXT, state="running")
    write_manifest(night.files, manifest)
    night.add_chunk()
    return night


def end(night: Night, run: str) -> None:
    ended = msgspec.structs.replace(
        read_manifest(night.files, FIXTURE, run), state="ended", ended_utc_ns=STARTED_NS + 9
    )
    write_manifest(night.files, ended)


def everything(root: Path) -> dict[str, bytes]:
    places = (each for each in root.rglob("*") if each.is_file() and "catalogue" not in each.name)
    return {str(place.relative_to(root)): place.read_bytes() for place in places}


def test_what_would_go_is_said_and_nothing_is_touched(tmp_path: Path) -> None:
    two_nights(tmp_path)
    before = everything(tmp_path)
    said = tidy(tmp_path, ALL, DAY_30, BY, clock_is_right=True)

    assert everything(tmp_path) == before
    assert not said.applied
    assert [(each.run, each.kind, each.why) for each in said.cleared] == [
        (RUN, kind, "older than 10 days") for kind in ("tape", "raw", "figures")
    ]
    assert said.bytes == sum(each.bytes for each in said.cleared) > 100_000


def test_what_was_said_goes_and_is_recorded_and_the_run_says_so_instead_of_looking_damaged(
    tmp_path: Path,
) -> None:
    night = two_nights(tmp_path)
    following = night.journal.next_record_no
    rule = Retention(tape=KeepTape(days=10), raw=Keep(days=10))
    said = tidy(tmp_path, rule, DAY_30, BY, clock_is_right=True)
    done = tidy(tmp_path, rule, DAY_30, BY, apply=True, clock_is_right=True)

    assert (done.cleared, done.bytes, done.applied) == (said.cleared, said.bytes, True)
    assert [each.run for each in night.catalogue.segments()] == [NEXT]
    assert night.catalogue.chunks(FIXTURE, RUN, paths.RAW) == []
    assert next_record_no(night.files, FIXTURE) == following
    (under_way, over) = sorted(list_runs(tmp_path), key=lambda each: each.run, reverse=True)
    assert (over.run, over.cleared, over.samples, over.cycles > 0) == (RUN, ("tape", "raw"), 0, True)
    assert (under_way.cleared, under_way.samples) == ((), 30_000)
    report = verify(tmp_path, RUN).runs[0]
    assert report.problems == []
    assert report.cleared[1].startswith("its raw samples went on 2026-12-25")
    run = open_run(tmp_path, FIXTURE, RUN)
    assert len(run.gaps()) == 3
    with pytest.raises(StorageError, match=r"its raw samples went on .* by R\. Vale: older than 10 days"):
        run.samples()
    with pytest.raises(StorageError, match="raw samples went"):
        next(run.tiles())
    assert tidy(tmp_path, rule, DAY_30, BY, apply=True).cleared == ()


def test_figures_that_went_are_an_error_and_not_an_empty_table(tmp_path: Path) -> None:
    two_nights(tmp_path)
    tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True)
    run = open_run(tmp_path, FIXTURE, RUN)
    with pytest.raises(StorageError, match="its figures, events and gaps went"):
        run.cycles()
    assert verify(tmp_path, RUN).ok
    lines = [json.loads(line) for line in (tmp_path / LOG).read_text().splitlines()]
    assert [(each["what"], each.get("kind")) for each in lines] == [
        ("clock", None), ("cleared", "tape"), ("cleared", "raw"), ("cleared", "figures")
    ]  # fmt: skip


def test_a_kept_run_stays_until_it_is_released_with_name_and_reason(tmp_path: Path) -> None:
    night = two_nights(tmp_path)
    keep(tmp_path, RUN, DAY_30, BY, "complaint")
    assert tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True).cleared == ()
    assert [each.kept for each in list_runs(tmp_path) if each.run == RUN] == [True]
    (released,) = keep(tmp_path, RUN, DAY_30, "A. Wren", "settled", release=True)
    assert (released.by, released.reason) == ("A. Wren", "settled")
    assert len(tidy(tmp_path, ALL, DAY_30, BY, apply=True).cleared) == 3
    with pytest.raises(RunNotFoundError, match="nightturn runs"):
        keep(tmp_path, "20250101T000000Z-0000", DAY_30, BY, "none")
    assert night.files.list("retention") == ["lock", "log.jsonl"]


def test_a_run_marked_in_its_manifest_by_an_older_version_is_kept_and_can_be_released(tmp_path: Path) -> None:
    night = two_nights(tmp_path)
    marked = msgspec.structs.replace(read_manifest(night.files, FIXTURE, RUN), kept=True)
    write_manifest(night.files, marked)
    assert tidy(tmp_path, ALL, DAY_30, BY, clock_is_right=True).cleared == ()
    keep(tmp_path, RUN, DAY_30, BY, "no more", release=True)
    assert len(tidy(tmp_path, ALL, DAY_30, BY, clock_is_right=True).cleared) == 3


@pytest.mark.parametrize("what", ["under way", "unsealed", "no manifest", "tape of nobody"])
def test_nothing_goes_of_a_run_that_is_not_over_or_not_known(tmp_path: Path, what: str) -> None:
    night = two_nights(tmp_path)
    path = paths.manifest_path(FIXTURE, RUN)
    if what == "under way":
        manifest = read_manifest(night.files, FIXTURE, RUN)
        write_manifest(night.files, msgspec.structs.replace(manifest, state="running"))
    elif what == "no manifest":
        night.files.remove(path)
    elif what == "unsealed":
        sealed = night.catalogue.segments()[0].path
        night.files.append(sealed.replace("/sealed/", "/"), night.files.read(sealed))
    else:
        night.files.append(f"{paths.journal_folder(FIXTURE)}/000000000001-00000000000000aa.ntj", b"no tape")
    assert tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True).cleared == ()


def test_a_clock_that_jumped_deletes_nothing_and_says_since_when(tmp_path: Path) -> None:
    two_nights(tmp_path)
    done = tidy(tmp_path, ALL, DAY_30, BY, apply=True)
    assert done.cleared == ()
    assert [step.stop for step in done.steps] == [DAY_30]


def test_a_log_that_cannot_be_read_stops_everything_and_a_torn_last_line_does_not(tmp_path: Path) -> None:
    night = two_nights(tmp_path)
    keep(tmp_path, RUN, DAY_30, BY, "complaint")
    with (tmp_path / LOG).open("ab") as log:
        log.write(b'{"what": "rele')
    assert tidy(tmp_path, ALL, DAY_30, BY, clock_is_right=True).cleared == ()
    add_marks(night.files, [Mark(what="clock", utc_ns=1, by=BY, reason="")])
    assert read_marks(night.files).clock_right_utc_ns == 1
    (tmp_path / LOG).write_bytes((tmp_path / LOG).read_bytes().replace(b'"kept"', b'"kapt"'))
    with pytest.raises(CorruptFileError, match=r"line 1 cannot be read .* nothing is cleared"):
        tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True)
    assert not verify(tmp_path, RUN).ok


@pytest.mark.parametrize("nth", [1, 4])
def test_a_clearing_that_died_half_way_is_no_damage_and_is_finished_by_the_next(
    tmp_path: Path, nth: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    night = two_nights(tmp_path)
    removed: list[str] = []

    def failing(_self: object, path: str) -> None:
        removed.append(path)
        if len(removed) == nth:
            raise OSError(5, "input/output error")
        (tmp_path / path).unlink()

    monkeypatch.setattr("nightturn.storage.files.RealFiles.remove", failing)
    with pytest.raises(StorageError, match="input/output error"):
        tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True)
    monkeypatch.undo()
    assert verify(tmp_path, RUN).ok
    Catalogue(tmp_path).rebuild()  # what it forgot and is still there
    tidy(tmp_path, ALL, DAY_30, BY, apply=True)
    assert night.files.list(f"{paths.RAW}/fixture={FIXTURE}/date=2026-11-25") == [f"run={NEXT}"]
    assert {each.run for each in Catalogue(tmp_path).segments()} == {NEXT}


@pytest.mark.parametrize("what", ["log deleted", "log cut", "beside deleted", "beside damaged"])
def test_a_kept_run_stays_kept_whichever_of_its_two_lines_is_lost_and_verify_names_the_file(
    tmp_path: Path, what: str
) -> None:
    two_nights(tmp_path)
    keep(tmp_path, RUN, DAY_30, BY, "complaint")
    assert verify(tmp_path, RUN).ok
    beside = tmp_path / paths.marks_path(FIXTURE, RUN)
    place = beside if what.startswith("beside") else tmp_path / LOG
    if what.endswith("deleted"):
        place.unlink()
    elif what == "log cut":
        place.write_bytes(b"")
    else:
        place.write_bytes(place.read_bytes().replace(b"complaint", b"complaisn"))
    assert tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True).cleared == ()
    assert [each.kept for each in list_runs(tmp_path) if each.run == RUN] == [True]
    problems = verify(tmp_path, RUN).runs[0].problems
    assert {(each.kind, each.path) for each in problems} == {
        ("retention", place.relative_to(tmp_path).as_posix())
    }


def test_a_lost_log_is_whole_again_once_the_run_is_kept_again(tmp_path: Path) -> None:
    two_nights(tmp_path)
    keep(tmp_path, RUN, DAY_30, BY, "complaint")
    (tmp_path / LOG).unlink()
    keep(tmp_path, RUN, DAY_30 + 1, BY, "the log was lost")
    assert verify(tmp_path, RUN).ok
    reasons = [json.loads(line)["reason"] for line in (tmp_path / LOG).read_text().splitlines()]
    assert reasons == ["complaint", "the log was lost"]


def test_what_was_cleared_is_still_an_error_and_no_empty_table_when_the_log_is_lost(tmp_path: Path) -> None:
    two_nights(tmp_path)
    tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True)
    (tmp_path / LOG).unlink()
    run = open_run(tmp_path, FIXTURE, RUN)
    with pytest.raises(StorageError, match="its raw samples went"):
        run.samples()
    assert {each.path for each in verify(tmp_path, RUN).runs[0].problems} == {LOG}


def test_a_released_run_is_kept_until_both_of_its_lines_say_so(tmp_path: Path) -> None:
    """A release that dies between the two files: kept is what can be put right, deleted is not."""
    night = two_nights(tmp_path)
    keep(tmp_path, RUN, DAY_30, BY, "complaint")
    log = (tmp_path / LOG).read_bytes()
    keep(tmp_path, RUN, DAY_30, BY, "settled", release=True)
    (tmp_path / LOG).write_bytes(log)
    assert read_marks(night.files).kept(FIXTURE, RUN, otherwise=False)


def test_lines_of_an_older_version_have_no_checksum_and_count(tmp_path: Path) -> None:
    night = two_nights(tmp_path)
    mark = Mark(what="kept", utc_ns=1, by=BY, reason="complaint", fixture=FIXTURE, run=RUN)
    night.files.append(LOG, msgspec.json.encode(mark) + b"\n")
    assert tidy(tmp_path, ALL, DAY_30, BY, apply=True, clock_is_right=True).cleared == ()
    report = verify(tmp_path, RUN).runs[0]
    assert report.problems == []
    assert any(each.startswith(f"{LOG}: ") and "no checksum" in each for each in report.unchecked)
