"""Hours of a run that goes on are joined while it is recorded and read: each row is there once, whoever looks whenever, and after a death at any moment."""

import shutil
from pathlib import Path

import pytest
from pandas.testing import assert_frame_equal
from tests.storage.scenario import FIXTURE, RUN
from tests.storage.store import Night
from tests.storage.test_joining import materialised, states
from tests.storage.test_joining_raw import (
    FOLDER,
    end,
    joined,
    made,
    operations_of,
    raw_names,
    rows_left,
    samples,
)

from nightturn.storage import joining_raw, paths
from nightturn.storage.files import RealFiles
from nightturn.storage.joining_raw import hours_to_join
from nightturn.storage.reader import Run
from nightturn.storage.verify import verify
from nightturn.storage.verify_beside import marks

HOUR_NS = 300_000_000


def under_way(root: Path, chunks: int = 7, samples: int = 1000) -> Night:
    """A run that goes on: a third of an hour a chunk, so two closed hours and one chunk of the newest."""
    night = Night(root)
    for number in range(chunks):
        night.add_chunk(samples, leave_out=(1,) if number == 1 else ())
    return night


@pytest.fixture
def three_an_hour(monkeypatch: pytest.MonkeyPatch) -> None:
    """An hour that three chunks of `under_way` fill."""
    monkeypatch.setattr(joining_raw, "HOUR_NS", HOUR_NS)


@pytest.mark.usefixtures("three_an_hour")
def test_closed_hours_of_a_run_under_way_are_joined_and_its_newest_hour_is_not(tmp_path: Path) -> None:
    root = tmp_path / "nights"
    night = under_way(root)
    before, names = samples(root), raw_names(root)
    joined(root)
    after = raw_names(root)
    assert (len(names), len(after), after[-1]) == (7, 3, names[-1])
    assert_frame_equal(samples(root), before)
    assert (verify(root, "all").ok, hours_to_join(root)) == (True, [])
    night.add_chunk(1000)  # and it goes on
    assert (hours_to_join(root), len(samples(root))) == ([], len(before) + 1000)
    for _ in range(2):
        night.add_chunk(1000)
    night.files.close()
    assert [hours.files for hours in hours_to_join(root)] == [3]
    end(root)
    before = samples(root)
    assert len(raw_names(joined(root))) == 4
    assert_frame_equal(samples(root), before)
    assert verify(root, "all").ok


@pytest.mark.usefixtures("three_an_hour")
def test_an_hour_with_tape_that_waits_in_it_or_before_it_is_not_closed(tmp_path: Path) -> None:
    root = tmp_path / "nights"
    night = under_way(root)
    night.files.close()
    tape = sorted((root / "journal" / FIXTURE / "sealed").glob("*.ntj"))
    for number, files in ((0, []), (4, [3])):
        back = tape[number].rename(root / "journal" / FIXTURE / tape[number].name)
        assert [hours.files for hours in hours_to_join(root)] == files
        back.rename(tape[number])


def test_who_listed_chunks_before_they_were_joined_has_each_row_once(tmp_path: Path) -> None:
    """Whatever was asked of a chunk before it went: nothing, or its footer."""
    root = made(tmp_path / "nights")
    run = Run(root, FIXTURE, RUN)
    listed, known = run.chunks(paths.RAW), run.chunks(paths.RAW)
    whole, spans = [each.read() for each in listed], [(each.facts, each.sections) for each in known]
    middle = spans[1][1][0].span
    assert middle is not None
    between = [table.num_rows for table in listed[1].read_between(middle[0], middle[1], ["ts"])]
    listed = run.chunks(paths.RAW)  # of whose footers nothing is known
    joined(root)

    for files in (listed, known):
        assert [each.read().to_pylist() for each in files] == [table.to_pylist() for table in whole]
        assert [[table.num_rows for table in each.groups()] for each in files] == [
            [len(each)] for each in whole
        ]
        assert [table.num_rows for table in files[1].read_between(*middle, ["ts"])] == between
        assert list(files[1].read_between(0, 1, ["ts"])) == []
    for each, (facts, sections) in zip(listed, spans, strict=True):
        assert each.sections == sections
        assert each.facts.items() <= facts.items()
        assert facts.keys() - each.facts.keys() == {"facts_crc32c", "segment"}


def test_a_chunk_that_was_deleted_is_not_found_whatever_was_joined_beside_it(tmp_path: Path) -> None:
    root = made(tmp_path / "nights")
    listed = Run(root, FIXTURE, RUN).chunks(paths.RAW)[0]
    joined(root)
    for path in (root / FOLDER).glob("*.parquet"):
        path.unlink()
    with pytest.raises(FileNotFoundError, match=listed.name.text):
        listed.read()
    with pytest.raises(FileNotFoundError, match=listed.name.text):
        _ = listed.rows


def small_under_way(tmp_path: Path) -> Path:
    """The same, and one of the next hour: the run goes on."""
    root = tmp_path / "small"
    under_way(root, 4).files.close()
    return root


@pytest.mark.usefixtures("three_an_hour")
def test_a_death_at_any_moment_loses_no_sample_shows_none_twice_and_the_next_time_finishes(
    tmp_path: Path,
) -> None:
    """Beside a run that goes on; one that has ended is joined by the same steps."""
    root = small_under_way(tmp_path)
    expected = rows_left(root)
    content, operations = operations_of(root)
    looked = 0
    for number, left in enumerate(states(content, operations)):
        place = materialised(left, tmp_path / f"{number}")
        assert rows_left(place) == expected
        joined(place)
        assert rows_left(place) == expected
        assert len(raw_names(place)) == 2
        assert raw_names(place)[0] in (place / "retention/log.jsonl").read_text()
        assert list(marks(RealFiles(place), FIXTURE, RUN)) == []
        shutil.rmtree(place)
        looked += 1
    assert looked > len({each.path for each in operations})
