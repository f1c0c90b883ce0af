"""Could it be the rig: what is said of the units beside it is of this night, and what is not known is no "no change"."""

from pathlib import Path
from typing import Any

import msgspec
import pytest

import nightturn.report.rig_words as room
from nightturn.report.night import ReportNight
from nightturn.report.rig_words import OTHERS, rig_rows
from nightturn.unit_history.account import Account


def said_of(one: ReportNight, monkeypatch: pytest.MonkeyPatch, found: Account) -> str:
    """The row of the other fixtures, as if the unit beside it had that account up to its run of this night."""

    def account_of(_root: str | Path, unit: str, **asked: Any) -> Account:
        assert (unit, asked) == (one.unit, {"until": one.run.run})
        return found

    monkeypatch.setattr(room, "account_of", account_of)
    return dict(rig_rows(one, [one.summary], ""))[OTHERS]


def test_too_few_cycles_are_not_no_change(one: ReportNight, monkeypatch: pytest.MonkeyPatch) -> None:
    life = one.life
    assert life is not None
    assert not any(line.judged for line in life.courses)
    few = "pan-a1 with Q-0117: too few cycles to say whether anything changed"
    assert said_of(one, monkeypatch, life) == few
    judged = tuple(msgspec.structs.replace(line, judged=True) for line in life.courses)
    whole = msgspec.structs.replace(life, courses=judged)
    assert said_of(one, monkeypatch, whole) == "pan-a1 with Q-0117: no change was found"
    lacking = tuple(
        msgspec.structs.replace(line, judged=line.figure != "friction_nm") for line in life.courses
    )
    some = msgspec.structs.replace(life, courses=lacking)
    assert said_of(one, monkeypatch, some).endswith(
        "no change was found, but there are too few cycles for friction"
    )


def test_a_change_beside_it_has_its_time(one: ReportNight, monkeypatch: pytest.MonkeyPatch) -> None:
    life = one.life
    assert life is not None
    ts = 1_764_105_300_000_000_000
    moved = tuple(
        msgspec.structs.replace(line, judged=True, changed_ts=ts if line.figure == "friction_nm" else None)
        for line in life.courses
    )
    found = said_of(one, monkeypatch, msgspec.structs.replace(life, courses=moved))
    assert found == "pan-a1 with Q-0117: friction changed at 2025-11-25 21:15 +00:00"
