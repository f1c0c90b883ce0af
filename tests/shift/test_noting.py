"""A line of the logbook is of what a person meant, keeps what was predicted, and is refused where it cannot be meant."""

from pathlib import Path
from typing import Any

import pytest
from tests.shift.conftest import HOUR_NS, NOW_NS
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS
from tests.storage.test_photos import saved

from nightturn.errors import ConfigError, RunNotFoundError, StorageError
from nightturn.evidence.judge import NOTHING_FITS
from nightturn.logbook.entries import NOTHING, PHOTOS_MAX, Entry
from nightturn.shift import noting
from nightturn.shift.listed import listed
from nightturn.shift.meant import Asked
from nightturn.shift.noting import Wanted, noted
from nightturn.storage.logbook import LOG
from nightturn.storage.marking import redate
from nightturn.unit_history.account import Account, CauseLine


def note(root: Path, asked: Asked | None = None, **fields: Any) -> Entry:
    usual = {"text": "a knock", "by": "R. Vale"}
    return noted(root, Wanted(**{**usual, "asked": asked or Asked(), **fields}), NOW_NS)


def account(*causes: tuple[str, ...]) -> Account:
    """What a history says that has found changes, each consistent with some causes."""
    asked = tuple(CauseLine("friction_nm", 1, "friction", 7, names, ()) for names in causes)
    return Account("Q-0117", "UTC", 0, 0.0, (), "", "", (), (), (), (), (), asked=asked)


def test_a_time_is_by_the_clocks_of_the_bench_and_the_run_is_the_newest_of_the_unit(root: Path) -> None:
    found = note(root, Asked(unit="Q-0117", at="03:12", cycle_no=2, angle_deg=124.0))
    assert (found.unit, found.fixture, found.run) == ("Q-0117", FIXTURE, RUN)
    assert found.at_ts == STARTED_NS + (4 * 60 + 42) * 60 * 1_000_000_000  # 03:12 in Vienna is 02:12 UTC
    assert (found.cycle_no, found.angle_deg, found.kind, found.number) == (2, 124.0, "note", 1)


def test_a_time_stays_with_the_samples_when_the_clock_of_the_run_is_corrected(root: Path) -> None:
    before = note(root, Asked(fixture=FIXTURE, at="03:12"))
    redate(root, RUN, NOW_NS, "R. Vale", "an hour late", 3600)
    shown = listed(root, Asked(), number=before.number).entries[0]
    assert before.at_ts is not None
    assert shown.at_ts == before.at_ts + HOUR_NS
    assert note(root, Asked(fixture=FIXTURE, at="04:12")).at_ts == before.at_ts


def test_a_line_may_be_of_the_bench_alone(root: Path) -> None:
    found = note(root)
    assert (found.unit, found.fixture, found.run, found.at_ts) == ("", "", "", None)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (Asked(fixture=FIXTURE, at="13:12"), "lies outside the run"),
        (Asked(fixture=FIXTURE, at="yesterday"), "is no time"),
        (Asked(fixture=FIXTURE, cycle_no=9), "the run has no cycle 9; allowed: 1 to 2, and 3"),
        (Asked(fixture=FIXTURE, angle_deg=360.0), "is no angle of a turn"),
    ],
)
def test_a_place_that_the_run_does_not_have_is_refused(root: Path, asked: Asked, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        note(root, asked)
    assert not (root / LOG).exists()


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (Asked(fixture="pan-z9"), "no run of pan-z9; there are runs of pan-a1"),
        (Asked(unit="Q-0118"), 'did you mean "Q-0117"'),
        (Asked(unit="Q-0117", fixture="pan-z9"), "was never on pan-z9"),
        (Asked(run="20250101T000000Z-0000"), "has no run"),
        (Asked(run="../../etc"), "is not a run id"),
    ],
)
def test_a_run_that_is_not_there_is_refused_and_names_what_is(root: Path, asked: Asked, said: str) -> None:
    with pytest.raises((RunNotFoundError, StorageError), match=said):
        note(root, asked)


def test_a_finding_keeps_what_was_predicted_when_it_was_written(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    says = {RUN: account(("bearing", "wear"), (NOTHING_FITS,))}
    monkeypatch.setattr(noting, "account_of", lambda _root, _unit, until: says[until])
    found = note(root, Asked(unit="Q-0117"), finding="bearing")
    assert [each.cause for each in found.predicted or ()] == ["bearing", "wear"]
    assert note(root, Asked(unit="Q-0117"), finding=NOTHING, text="").cause == NOTHING


def test_where_a_unit_has_too_few_cycles_a_finding_says_that_nothing_can_be_said(root: Path) -> None:
    found = note(root, Asked(unit="Q-0117"), finding="bearing")
    assert found.predicted is None
    assert "too few cycles" in found.unpredicted


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"by": " "}, "--operator: is empty"),
        ({"by": "\x1b[2J"}, "--operator: contains the sign U\\+001B"),
        ({"text": ""}, "TEXT: is empty"),
        ({"text": "R.\u202eelaV"}, "TEXT: contains the sign U\\+202E"),
        ({"finding": "bering"}, 'no cause .bering.; did you mean "bearing"'),
        ({"intervention": NOTHING}, "no cause .nothing."),
        ({"finding": "wear", "intervention": "wear"}, "--finding, --intervention: are given together"),
        ({"close": 1, "finding": "wear"}, "--finding, --close: are given together"),
        ({"close": 1, "open": True}, "--close, --open: are given together"),
        ({"finding": "wear"}, "--finding: is of a unit"),
        ({"photos": (Path("none.jpg"),)}, "none.jpg: No such file"),
        ({"photos": (Path("a.jpg"),) * (PHOTOS_MAX + 1)}, "21 photos"),
        ({"close": 3}, "has no line 3"),
    ],
)
def test_what_cannot_be_meant_is_refused_and_nothing_is_written(
    root: Path, fields: dict[str, Any], said: str
) -> None:
    with pytest.raises(ConfigError, match=said):
        note(root, **fields)
    assert not (root / LOG).exists()


def test_photos_are_stored_with_their_line_and_a_bad_one_keeps_the_line_from_being_written(
    root: Path, tmp_path: Path
) -> None:
    good, bad = tmp_path / "race.png", tmp_path / "race.txt"
    good.write_bytes(saved("PNG"))
    bad.write_text("no picture")
    with pytest.raises(ConfigError, match=r"race\.txt is no picture"):
        note(root, photos=(good, bad))
    assert not (root / "logbook").exists()
    assert note(root, photos=(good,), text="").photos[0].named == "race.png"


def test_lines_are_listed_by_unit_run_and_whether_they_wait(root: Path) -> None:
    note(root)
    waiting = note(root, Asked(unit="Q-0117"), open=True)
    note(root, close=waiting.number, text="looked at it")
    again = note(root, open=True)
    assert [each.number for each in listed(root, Asked(unit="Q-0117")).entries] == [2]
    assert [each.number for each in listed(root, Asked(run=RUN)).entries] == [2]
    assert listed(root, Asked()).closed == {2: "R. Vale in line 3"}
    assert listed(root, Asked(), to_answer=True).entries == (again,)
    assert listed(root, Asked()).timezone == "Europe/Vienna"
    with pytest.raises(RunNotFoundError, match="is not a folder"):
        listed(root / "nowhere", Asked())
