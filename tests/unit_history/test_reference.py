"""A reference unit on two rigs: which of them moved, or the unit itself, and what is said when nothing can be."""

from pathlib import Path

import numpy as np
import pytest
from tests.unit_history.nights import UNIT, night, place

from nightturn.trend.control_chart import HISTORY_MIN
from nightturn.unit_history.nights import Night
from nightturn.unit_history.reference import CHARTED, Reference, chart_rows, reference

FRICTION = "friction_nm"


def nights(shift_nm: dict[str, float], count: int = 14, behind: int = 3, **changed: str) -> list[Night]:
    """Nights on two rigs in turn, the reference level but for chance of 0.1 mN·m, and a shift on the last `behind` of each rig."""
    rng = np.random.default_rng(4)
    found: list[Night] = []
    for number in range(count):
        for rig in ("pan-a1", "pan-a2"):
            late = number >= count - behind
            level = 0.080 + 1e-4 * rng.standard_normal() + (shift_nm.get(rig, 0.0) if late else 0.0)
            where = place(
                fixture=rig,
                mounted_utc=f"2026-11-{number + 1:02d}T20:00:00Z",
                **(changed if late else {}),
            )
            found.append(
                night(
                    len(found),
                    {FRICTION: lambda hours, _s, level=level: np.full(len(hours), level)},  # type: ignore[misc]  # mypy infers no type for a lambda with a default
                    cycles=4,
                    where=where,
                )
            )
    return found


def friction(found: Reference) -> dict[str, int]:
    return {each.rig: each.moved for each in found.charts if each.figure == FRICTION}


def test_a_rig_that_moves_alone_is_the_rig() -> None:
    found = reference(UNIT, nights({"pan-a2": 0.0008}))
    assert friction(found) == {"pan-a1": 0, "pan-a2": 1}
    assert found.said == (
        "friction of the reference has moved on pan-a2, on pan-a1 the same unit has not: look at the rig first",
    )
    words = dict(chart_rows(found))
    assert "moved, one value beyond 3 standard deviations in 202611" in words["pan-a2, friction"]
    assert words["pan-a1, friction"].startswith("14 nights, newest 80")
    assert words["pan-a1, friction"].endswith("in control")


def test_a_reference_that_moves_to_one_side_everywhere_is_the_unit() -> None:
    found = reference(UNIT, nights({"pan-a1": -0.0008, "pan-a2": -0.0008}))
    assert found.said == (
        "friction of the reference has moved to one side on pan-a1 and pan-a2, on every rig: look at the unit first",
    )
    found = reference(UNIT, nights({"pan-a1": 0.0008, "pan-a2": -0.0008}))
    assert found.said == (
        "friction of the reference has moved on pan-a1 and pan-a2, to different sides: look at both rigs",
    )


def test_on_one_rig_alone_rig_and_unit_cannot_be_parted() -> None:
    found = reference(UNIT, [each for each in nights({"pan-a2": 0.0008}) if each.place.fixture == "pan-a2"])
    assert found.said == (
        "friction of the reference has moved on pan-a2; it is charted on no other rig, so rig and unit cannot be parted",
    )


def test_what_stays_is_in_control_and_few_nights_are_not_judged() -> None:
    found = reference(UNIT, nights({}))
    assert not found.moved
    assert found.said == ()
    few = reference(UNIT, nights({"pan-a2": 0.01}, count=HISTORY_MIN, behind=1))
    assert not few.moved
    assert dict(chart_rows(few))["pan-a2, friction"].endswith("not judged: limits need 11 nights that differ")


def test_another_calibration_begins_the_limits_again() -> None:
    found = reference(UNIT, nights({"pan-a2": 0.0008}, calibration="TR-204/2"))
    assert {len(each.nights) for each in found.charts} == {3}
    assert not found.moved


def test_values_of_another_method_are_on_no_chart_with_the_newest() -> None:
    some = nights({})
    for each in some[:6]:
        each.cycles[f"{FRICTION}_method"] -= 1
    found = reference(UNIT, some)
    lengths = {(each.rig, each.figure): len(each.nights) for each in found.charts}
    assert lengths["pan-a1", FRICTION] == 11
    assert lengths["pan-a1", "ripple_pp_nm"] == 14


def test_nights_without_a_judged_value_are_on_no_chart() -> None:
    some = nights({})
    for each in some:
        each.cycles[f"{FRICTION}_status"] = "not judged"
    found = reference(UNIT, some)
    assert {each.figure for each in found.charts} == set(CHARTED) - {FRICTION}


def test_the_command_says_what_moved_and_ends_with_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from tests.cli.terminal import typed

    from nightturn.unit_history import reference as room

    monkeypatch.setattr(room, "nights_of", lambda *_: (nights({"pan-a2": 0.0008}), ("a run cannot be read",)))
    seen = typed(["refcheck", str(tmp_path), "--unit", UNIT], capsys)
    assert seen.code == 1
    assert "look at the rig first" in " ".join(seen.out.split())
    assert "a run cannot be read" in seen.out
    monkeypatch.setattr(room, "nights_of", lambda *_: (nights({}), ()))
    seen = typed(["refcheck", str(tmp_path), "--unit", UNIT], capsys)
    assert seen.code == 0
    assert f"{UNIT}: nothing has moved" in seen.out
    monkeypatch.setattr(room, "nights_of", lambda *_: (nights({}, count=3, behind=1), ()))
    assert f"{UNIT}: nothing is judged yet" in typed(["refcheck", str(tmp_path), "--unit", UNIT], capsys).out
