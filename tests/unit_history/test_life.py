"""A unit's life from its nights: strokes and hours add up, and a remount or another rig is a step, not wear."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from tests.unit_history.nights import CYCLE_S, STROKES, night, place

from nightturn.estimation.figures import FRICTION, RIPPLE_PP
from nightturn.settings.rig import Soak
from nightturn.unit_history.life import life, what_changed


def test_strokes_and_hours_of_all_nights_add_up_and_each_cycle_knows_those_before_it() -> None:
    nights = [night(0, {}, cycles=10), night(1, {}, cycles=4)]
    found = life("Q-0121", nights)
    assert (found.strokes, found.strokes_before, found.steps) == (14 * STROKES, (0, 10 * STROKES), ())
    friction = next(each for each in found.series if (each.figure, each.direction) == (FRICTION, 1))
    assert friction.strokes.tolist() == [STROKES * n for n in (0, 2, 4, 6, 8, 10, 12)]
    assert friction.night.tolist() == [0, 0, 0, 0, 0, 1, 1]
    assert np.diff(friction.ts[:5]).tolist() == [2 * CYCLE_S * 10**9] * 4
    assert found.hours_at == {25.0: pytest.approx(14 * 180 / 3600)}


def test_warm_up_soak_and_parks_are_counted_beside_the_strokes_of_exercise() -> None:
    usual = night(0, {}, cycles=10)
    fixture = usual.settings.fixture
    plan = msgspec.structs.replace(fixture.plan, soak=Soak(hours=1.0, speed_rpm=30.0, angle_deg=90.0))
    settings = msgspec.structs.replace(usual.settings, fixture=msgspec.structs.replace(fixture, plan=plan))
    soaked = replace(usual, settings=settings, beside={"soak": 400}, park_stops=2)
    found = life("Q-0121", [usual, soaked])
    assert (found.strokes, found.park_stops) == (20 * STROKES, 2)
    (strokes, hours) = found.beside()["soak"]
    # 90° at 30 rpm: 0.5 s and a ramp of π rad/s over the ramp's rad/s², and the dwell behind every second stroke
    pair_s = 2 * (0.5 + np.pi / fixture.ramp_rad_per_s2) + plan.dwell_s
    if np.pi / fixture.ramp_rad_per_s2 > 0.5:  # the ramps take up the whole angle
        pair_s = 2 * 2 * np.sqrt(np.pi / 2 / fixture.ramp_rad_per_s2) + plan.dwell_s
    assert list(found.beside()) == ["soak"]
    assert strokes == 400
    assert hours == pytest.approx(200 * pair_s / 3600)
    assert soaked.revolutions == pytest.approx(usual.revolutions + 400 * 90 / 360)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (
            {"mounted_utc": "2026-11-26T20:00:00Z", "operator": "K. Orr"},
            "mounted again on pan-a1 by K. Orr",
        ),
        (
            {"fixture": "pan-b1", "mounted_utc": "2026-11-26T20:00:00Z"},
            "moved from pan-a1 to pan-b1 by R. Vale",
        ),
        ({"transducer": "TR-212"}, "torque transducer TR-204, now TR-212"),
        ({"calibration": "TR-204/2"}, "calibration TR-204/1, now TR-204/2"),
        (
            {"plan": "slow turn at 3 rpm"},
            "plan: slow turn at 5 rpm, hold 5 N·m at 5 rpm, now slow turn at 3 rpm",
        ),
    ],
)
def test_what_a_person_changed_between_two_nights_is_a_step_with_its_words(
    changed: dict[str, str], said: str
) -> None:
    found = life("Q-0121", [night(0, {}, cycles=6), night(1, {}, cycles=6, where=place(**changed))])
    assert [(step.strokes, step.words) for step in found.steps] == [(6 * STROKES, said)]
    assert what_changed(place(), place(**changed)) == said
    for series in found.series:
        assert series.stretch.tolist() == [0, 0, 0, 1, 1, 1]
        assert series.latest.night.tolist() == [1, 1, 1]


def test_the_operator_of_an_unchanged_card_is_no_step() -> None:
    assert what_changed(place(), place(operator="K. Orr")) == ""


def test_a_value_that_is_not_ok_is_left_out_and_counted() -> None:
    one = night(0, {}, cycles=8)
    one.cycles.loc[one.cycles.index[:2], f"{RIPPLE_PP}_status"] = "refused"
    series = {(each.figure, each.direction): each for each in life("Q-0121", [one]).series}
    assert (len(series[RIPPLE_PP, 1].value), series[RIPPLE_PP, 1].left_out) == (3, 1)
    assert (len(series[FRICTION, 1].value), series[FRICTION, 1].left_out) == (4, 0)


def test_a_night_without_a_cycle_adds_its_step_and_nothing_else() -> None:
    found = life("Q-0121", [night(0, {}, cycles=0)])
    assert (found.series, found.strokes) == ((), 0)
