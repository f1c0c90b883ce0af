"""The reference envelope: of accepted units of the variant that were known that morning, under the same plan."""

import dataclasses
from pathlib import Path

import msgspec
import numpy as np
import pytest
from replay_logs.make import Recorded
from tests.report.test_batch import VALUES, runs
from tests.report.test_batch import night as listed
from tests.report.test_document import night

from nightturn.errors import RunNotFoundError
from nightturn.estimation.tolerance import UNITS_MIN
from nightturn.report import reference as room
from nightturn.report.chosen import accepted_before, first_of
from nightturn.report.drawn import drawn
from nightturn.report.first_page import LIMIT_HEAD, first_page
from nightturn.report.night import ReportNight
from nightturn.report.reference import (
    NO_UNIT,
    Reference,
    accepted_band,
    cogging_order,
    reference_of,
    turn_band,
)
from nightturn.storage.runs import list_runs


def of(one: ReportNight, root: Path) -> Reference:
    settings = one.settings
    return reference_of(root, list_runs(root), settings.fixture.plan, cogging_order(settings.variant))


def test_only_units_that_were_accepted_by_then_are_behind_it() -> None:
    before = [listed(f"Q-000{at}", value) for at, value in enumerate(VALUES)]
    now = listed("Q-0050", 0.1, day=5)
    found = accepted_before(
        runs(
            *before,
            now,
            listed("Q-0050", 0.09, day=1),  # the unit itself
            listed("Q-0007", 0.09, day=6),  # later
            listed("Q-0001", 0.2, "reject", day=3),  # accepted once, rejected since
            listed("Q-0008", 0.09, variant="pan20"),
            listed("Q-0009", None, ""),
            dataclasses.replace(listed("Q-0010", 0.09), state="running"),
        ),
        now,
    )
    assert {each.unit for each in found} == {"Q-0000", "Q-0002", "Q-0003", "Q-0004", "Q-0005"}


def test_the_first_run_of_a_unit_is_the_oldest_of_its_own() -> None:
    newest, first = listed("Q-0001", 0.1, day=6), listed("Q-0001", 0.09, day=2)
    listed_runs = runs(newest, listed("Q-0002", 0.09, day=1), first, listed("Q-0001", 0.09, day=4))
    assert first_of(listed_runs, newest) == first
    with pytest.raises(RunNotFoundError, match="is the first run of Q-0001"):
        first_of(listed_runs, first)


def test_figures_are_a_limit_from_five_units_on_and_a_span_below(
    recorded: Recorded, one: ReportNight
) -> None:
    plan, order = one.settings.fixture.plan, cogging_order(one.settings.variant)
    units = [listed(f"Q-000{at}", value) for at, value in enumerate(VALUES)]
    key = ("friction_nm", "max")
    assert reference_of(recorded.root, units, plan, order).figures[key].endswith(f"of {len(units)} units")
    few = reference_of(recorded.root, units[: UNITS_MIN - 1], plan, order).figures[key]
    assert few == "88.1 mN·m to 89.3 mN·m, of 4 units only"
    assert reference_of(recorded.root, units[:1], plan, order).figures[key] == "88.1 mN·m, of 1 unit only"


def test_orders_and_turn_are_those_of_the_units_newest_cycles(recorded: Recorded, one: ReportNight) -> None:
    found = of(one, recorded.root)
    assert found.orders is not None
    assert found.friction is not None
    hold = one.curves[one.curves["leg"] == "hold"].sort_values("cycle_no")
    expected = np.mean([np.asarray(each, float) for each in hold["amplitude_nm"] if len(each)], axis=0)
    assert found.orders.middle == pytest.approx(expected)
    low, high = float(found.friction.low[0]), float(found.friction.high[1])
    assert 0.05 < low < high < 0.2
    pictures = {each.name: each for each in drawn(one, 920, found).pictures}
    assert "what 1 accepted unit showed, too few to expect it of others" in pictures["turn"].caption
    assert "what 1 accepted unit showed" in pictures["orders"].description


def test_the_envelope_is_angle_by_angle_where_cards_name_the_rotors_mark(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = night(root)
    assert of(usual, root).turn is None
    card = msgspec.structs.replace(usual.settings.card, mark_deg=90.0)
    settings = msgspec.structs.replace(usual.settings, card=card)
    monkeypatch.setattr(room, "_settings", lambda _run: settings)
    found = of(usual, root)
    assert found.turn is not None
    points = len(found.turn.low)
    band = turn_band(found, settings, points)
    assert band is not None
    assert "angle by angle from the mark of each rotor" in band.words
    assert band.low_nm == pytest.approx(np.roll(found.turn.low, points // 4))
    alike = turn_band(found, usual.settings, points)
    assert alike is not None
    assert "the same at every angle, because no mark ties" in alike.words
    assert len(set(alike.low_nm)) == 1


def test_a_unit_under_another_plan_or_with_lost_files_is_not_behind_it(root: Path) -> None:
    one = night(root)
    plan = one.settings.fixture.plan
    slow = msgspec.structs.replace(plan.slow_turn, speed_rpm=2 * plan.slow_turn.speed_rpm)
    other = msgspec.structs.replace(plan, slow_turn=slow)
    assert reference_of(root, list_runs(root), other, 288).orders is None
    damaged = max((root / "curves").rglob("*.parquet"))
    damaged.write_bytes(damaged.read_bytes()[:-20])
    assert of(one, root).orders is None
    assert accepted_band(None) is None


def test_the_figures_table_has_it_and_says_where_there_is_none(one: ReportNight) -> None:
    page = first_page(one, (), Reference({("friction_nm", "max"): "below 84 mN·m, of 6 units"}))
    at = LIMIT_HEAD.index("reference envelope")
    assert [row[at] for row in page.limits] == ["below 84 mN·m, of 6 units", NO_UNIT]
