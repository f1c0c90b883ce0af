"""A run begins behind the earlier nights of its unit: live and history say the same of the same cycles, and nothing is used in silence."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pytest
from tests.fixture.living import THRESHOLD, Live, records
from tests.unit_history.nights import CYCLE_S, STROKES, Course, night, place

from nightturn.estimation.figures import FIGURES, FRICTION, RIPPLE_PP
from nightturn.fixture import trending
from nightturn.model.cards import MountCard
from nightturn.model.clocks import bench_text
from nightturn.model.facts import RunOpened
from nightturn.model.rows import TrendRow
from nightturn.trend.course import course_of
from nightturn.trend.cusum import LEVEL_FROM, WATCHED_FROM
from nightturn.trend.earlier import EARLIER, Earlier, first_night
from nightturn.trend.limits_ahead import limits_ahead
from nightturn.trend.watch import known_before, watched
from nightturn.trend.wording import changed_text, course_text
from nightturn.unit_history.asked import with_earlier
from nightturn.unit_history.earlier import CYCLES_MAX, earlier, earlier_of
from nightturn.unit_history.life import Life, life, only_mounted, what_changed
from nightturn.unit_history.nights import Night, Place, place_of

UNIT = "Q-0121"
CYCLES = 90
REMOUNTED = {"mounted_utc": "2026-11-26T21:00:00Z", "operator": "K. Orr"}
STEP_AT = 22
"""A cycle of the second night in which a watch that begins with the night is not armed yet: 30 values of one direction are 60 cycles."""


def stepping(at: int) -> Course:
    return lambda hours, _strokes: 0.080 + 0.0012 * (hours * 3600 >= (at - 0.5) * CYCLE_S)


@cache
def first() -> Night:
    return night(0, {}, cycles=CYCLES)


@cache
def second(at: int = STEP_AT, where: Place | None = None) -> Night:
    courses = {RIPPLE_PP: stepping(at)}
    return night(1, courses, cycles=CYCLES, strokes_before=CYCLES * STROKES, where=where)


def opened() -> RunOpened:
    return msgspec.structs.replace(Live().work.opened, started_utc_ns=second().started_ts, run=second().run)


def before(*nights: Night, where: Place | None = None) -> Earlier:
    return earlier(life(UNIT, nights), opened(), where or place())


@cache
def live() -> Live:
    """The second night behind the first, on the same mounting."""
    return Live(earlier=before(first())).play(records(second(), [RIPPLE_PP]))


@cache
def alone() -> Live:
    """The same night without what was before."""
    return Live().play(records(second(), [RIPPLE_PP]))


def of(played: Live, figure: str, direction: int = 1) -> list[TrendRow]:
    return [row for row in played.rows if (row.figure, row.direction) == (figure, direction)]


def changes(played: Live) -> list[str]:
    return [each.detail for each in played.events if each.kind == trending.CHANGED]


def test_a_jump_before_a_new_watch_would_be_armed_is_seen_behind_an_earlier_night_and_not_without() -> None:
    assert len(changes(live())) == 2
    assert changes(alone()) == []
    placed = next(row for row in of(live(), RIPPLE_PP) if row.status == "changed")
    assert abs((placed.changed_cycle_no or 0) - STEP_AT) <= 2
    armed = next(row for row in of(live(), RIPPLE_PP) if row.status == "watched")
    assert (
        armed.ts - second().started_ts < 3600 * 10**9 + 4 * CYCLE_S * 10**9
    )  # an hour for the temperature, no more


@pytest.mark.parametrize("direction", [1, -1])
def test_numbers_and_sentences_of_a_live_row_are_those_of_the_history_of_both_nights(direction: int) -> None:
    (whole,) = (
        each
        for each in life(UNIT, [first(), second()]).series
        if (each.figure, each.direction) == (RIPPLE_PP, direction)
    )
    compared = 0
    for row in [each for each in of(live(), RIPPLE_PP, direction) if each.fitted_cycle_no][::12]:
        assert row.fitted_cycle_no is not None
        series = whole.part((whole.night == 0) | (whole.cycle_no <= row.fitted_cycle_no))
        course = course_of(series)
        assert (row.level, row.level_half) == course.level
        assert row.slope_per_stroke == getattr(course.slope, "slope", None)
        limits = limits_ahead(course, second().settings.variant, {})
        assert row.not_before_strokes == (limits[0].not_before if limits else None)
        fitted = live().work.state.run.trends.lanes[direction].figure(RIPPLE_PP).fitted
        if fitted is not None and row.fitted_cycle_no == of(live(), RIPPLE_PP, direction)[-1].fitted_cycle_no:
            assert fitted.said == course_text(
                course, limits, limits_ahead(course, second().settings.variant, {}, by_hours=True)
            )
        if row.status == "changed":
            assert row.reason == changed_text(course, course.found[-1], lambda ts: bench_text(ts, ()))
            assert row.changed_strokes == series.strokes[series.ts.tolist().index(row.ts_changed)]
        compared += 1
    assert compared >= 2


def test_the_watch_sees_what_the_watch_of_the_history_sees() -> None:
    (whole,) = (
        each
        for each in life(UNIT, [first(), second()]).series
        if each.figure == RIPPLE_PP and each.direction == 1
    )
    found = watched(course_of(whole), THRESHOLD)
    suspected = next(row for row in of(live(), RIPPLE_PP) if row.status == "suspected")
    rows = second().cycles
    assert found.ts == rows["ts_start"].iloc[suspected.cycle_no - 1].value


def test_a_host_that_starts_again_in_the_middle_or_while_courses_are_asked_for_says_the_same() -> None:
    cycles = list(records(second(), [RIPPLE_PP]))
    start = Live(earlier=before(first())).play(cycles[:31])
    again = Live()
    packed = start.work.state.run.trends.packed
    again.work.state.run.amend(msgspec.structs.replace(again.work.opened, trends=packed))
    trending.begin(again.work)
    again.play(cycles[31:])
    assert start.rows + again.rows == live().rows
    assert start.events + again.events == live().events

    asked = Live()
    body = msgspec.structs.replace(asked.work.opened, earlier=msgspec.msgpack.encode(before(first())))
    trending.opened(asked.work, body)
    assert asked.work.opened.earlier == b""
    other = Live()
    packed = asked.work.state.run.trends.packed
    other.work.state.run.amend(msgspec.structs.replace(other.work.opened, trends=packed))
    trending.begin(other.work)
    other.play(cycles)
    assert [each.detail for each in other.events] == changes(live())


def test_a_state_that_goes_through_its_bytes_says_the_same() -> None:
    through = Live(earlier=before(first())).play(records(second(), [RIPPLE_PP]), restarts=True)
    assert through.rows == live().rows
    assert through.events == live().events


def test_what_changed_in_an_earlier_night_is_said_once_at_the_opening_and_stops_nothing() -> None:
    changed = night(0, {RIPPLE_PP: stepping(100)}, cycles=150)
    played = Live(on_change="stop", earlier=before(changed))
    assert len(changes(played)) == 2
    assert "stepped up" in changes(played)[0]
    played.play(records(night(1, {RIPPLE_PP: stepping(0)}, cycles=12), [RIPPLE_PP]))
    assert len(changes(played)) == 2
    assert {each.kind for each in played.events} == {trending.BASELINE, trending.CHANGED}
    row = of(played, RIPPLE_PP)[-1]
    assert (row.status, row.changed_cycle_no) == ("not_judged", None)


def test_a_second_night_that_is_colder_is_told_as_no_change_of_what_temperature_moves() -> None:
    """Nobody knows what 4 K do to this unit, so what they may do is not called a change: the watch may suspect one, and it is not told."""
    colder = night(
        1,
        {FRICTION: lambda hours, _s: np.full(len(hours), 0.080 * 1.08)},
        cycles=CYCLES,
        degc=lambda hours, _s: np.full(len(hours), 21.0),
    )
    played = Live(earlier=before(first())).play(records(colder, [FRICTION]))
    assert changes(played) == []
    assert played.work.state.run.trends.notices == ()
    found = course_of(
        next(
            each
            for each in life(UNIT, [first(), colder]).series
            if (each.figure, each.direction) == (FRICTION, 1)
        )
    )
    assert (found.found, found.hidden) == ((), 1)


def test_a_quiet_second_night_says_nothing_but_what_it_rests_on() -> None:
    played = Live(earlier=before(first())).play(records(night(1, {}, cycles=CYCLES), [RIPPLE_PP]))
    (event,) = played.events
    assert (event.kind, event.severity) == (trending.BASELINE, "info")
    assert event.detail == (
        "Q-0121 on pan-a1: the watch goes on behind 90 cycles of 1 earlier night on this mounting"
    )


def test_behind_a_remount_the_level_is_new_and_the_scatter_is_known() -> None:
    where = place(**REMOUNTED)
    found = before(first(), where=where)
    assert found.points == {}
    assert found.said == (
        "Q-0121 on pan-a1: how its figures scatter is known from 1 earlier mounting on this rig; "
        "a new level begins: mounted again on pan-a1 by K. Orr"
    )
    higher = night(1, {RIPPLE_PP: lambda hours, _s: np.full(len(hours), 0.09)}, cycles=CYCLES, where=where)
    played = Live(earlier=found).play(records(higher, [RIPPLE_PP]))
    assert changes(played) == []
    statuses = [row.status for row in of(played, RIPPLE_PP)]
    warm = statuses.index("not_armed")
    assert statuses.index("watched") - warm == LEVEL_FROM
    assert "of 10 values since a remount" in of(played, RIPPLE_PP)[warm].reason


def test_a_card_that_says_that_the_unit_was_not_touched_is_no_other_mounting() -> None:
    settings = first().settings
    later = msgspec.structs.replace(settings.card, mounted_utc="2026-11-26T21:00:00Z")
    stays = msgspec.structs.replace(later, since_utc=settings.card.mounted_utc)

    def under(card: MountCard) -> Place:
        return place_of(msgspec.structs.replace(settings, card=card))

    assert what_changed(place_of(settings), under(stays)) == ""
    assert what_changed(place_of(settings), under(later)) == "mounted again on pan-a1 by R. Vale"
    assert only_mounted(place_of(settings), under(later))


def test_of_many_mountings_the_newest_that_say_enough_are_asked_and_that_is_said() -> None:
    nights = [
        night(
            at,
            {},
            cycles=CYCLES,
            strokes_before=at * CYCLES * STROKES,
            where=place(mounted_utc=f"2026-11-{at + 1:02}"),
        )
        for at in range(4)
    ]
    found = before(*nights, where=place(mounted_utc="2026-12-01"))
    assert (
        "how its figures scatter is known from the newest 2 of 4 earlier mountings on this rig" in found.said
    )
    newest = before(*nights[2:], where=place(mounted_utc="2026-12-01"))
    assert found.charts == newest.charts


def test_the_history_watches_behind_a_remount_as_the_live_watch_does() -> None:
    where = place(**REMOUNTED)
    both = life(UNIT, [first(), second(60, where)])
    assert both.mountings == (0,)
    played = Live(earlier=before(first(), where=where)).play(records(second(60, where), [RIPPLE_PP]))
    (whole,) = (each for each in both.series if each.figure == RIPPLE_PP and each.direction == 1)
    found = watched(course_of(whole), THRESHOLD, known_before(whole, both.mountings, THRESHOLD))
    suspected = next(row for row in of(played, RIPPLE_PP) if row.status == "suspected")
    assert found.ts == second(60, where).cycles["ts_start"].iloc[suspected.cycle_no - 1].value
    assert watched(course_of(whole), THRESHOLD).ts is None


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"fixture": "pan-b1"}, "moved from pan-b1 to pan-a1 by R. Vale"),
        ({"transducer": "TR-212"}, "torque transducer TR-212, now TR-204"),
        ({"plan": "slow turn at 3 rpm"}, "plan: slow turn at 3 rpm, now"),
    ],
)
def test_nights_on_another_rig_are_not_used_and_that_is_said(changed: dict[str, str], why: str) -> None:
    other = replace(first(), place=place(**changed))
    found = before(other)
    assert (found.points, found.charts) == ({}, {})
    assert found.strokes == CYCLES * STROKES
    assert "each figure is watched from its first cycles on alone" in found.said
    assert "not used: 90 cycles of 1 earlier night before (" in found.said
    assert why in found.said
    played = Live(earlier=found).play(records(second(), [RIPPLE_PP]))
    assert [row.status for row in of(played, RIPPLE_PP)] == [row.status for row in of(alone(), RIPPLE_PP)]


def test_a_filter_that_is_set_otherwise_is_another_rig() -> None:
    found = before(replace(first(), place=replace(place(), settings=(("filter", '{"corner_hz":20}'),))))
    assert (found.points, found.charts) == ({}, {})
    assert found.said.endswith("not used: 90 cycles of 1 earlier night before (set otherwise: filter)")


def test_the_first_night_of_a_unit_says_so() -> None:
    assert before().said == first_night(UNIT).said
    assert before().whole


def spoilt(**columns: tuple[int, object]) -> Night:
    frame = first().cycles.copy()
    for name, (count, value) in columns.items():
        values = frame[name].tolist()
        frame[name] = pd.Series([value] * count + values[count:], frame.index)
    return replace(first(), cycles=frame)


def test_values_by_another_method_are_left_out_and_counted() -> None:
    older = FIGURES[RIPPLE_PP].method - 1
    found = before(spoilt(**{f"{RIPPLE_PP}_method": (20, older)}))
    assert f"left out: 20 values of ripple: by another method than {older + 1}" in found.said
    assert not found.whole
    place_of = [each for each in FIGURES if FIGURES[each].followed].index(RIPPLE_PP)
    assert sum(point.values[place_of] is not None for part in found.points.values() for point in part) == 70
    every = before(spoilt(**{f"{RIPPLE_PP}_method": (CYCLES, older)}))
    assert "not used: ripple, made by an older or newer method" in every.said
    assert all(point.values[place_of] is None for part in every.points.values() for point in part)


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({RIPPLE_PP: (3, np.inf)}, "3 values of ripple: no number, or a ± that is none"),
        ({f"{FRICTION}_u": (2, -1.0)}, "2 values of friction: no number, or a ± that is none"),
        ({"cycle_no": (4, 1)}, "3 cycles twice in the store"),
        ({"direction": (5, 0)}, "5 cycles turned no way"),
        ({"ts_end": (1, pd.Timestamp(0, tz="UTC"))}, "1 cycle end before they begin"),
        ({"calibration_id": (6, "TR-999/1")}, "6 cycles of another calibration than their run"),
    ],
)
def test_wrong_rows_are_left_out_and_counted(columns: dict[str, tuple[int, object]], why: str) -> None:
    found = before(spoilt(**columns))
    assert f"left out: {why}" in found.said
    assert not found.whole
    assert found.points


def test_of_a_long_life_on_one_mounting_the_newest_cycles_are_used_and_the_rest_is_said() -> None:
    nights = [night(at, {}, cycles=420, strokes_before=420 * STROKES * at) for at in range(2)]
    found = before(*nights)
    assert [len(each) for each in found.points.values()] == [CYCLES_MAX, CYCLES_MAX]
    assert f"not used: 240 cycles before the newest {CYCLES_MAX} of each direction" in found.said


def test_a_run_whose_state_was_lost_goes_on_behind_its_own_cycles() -> None:
    cut = replace(second(), cycles=second().cycles.iloc[:40])
    found = before(first(), cut)
    assert found.night == 1
    cycles = list(records(second(), [RIPPLE_PP]))
    played = Live(earlier=found).play(cycles[40:])
    assert len(changes(played)) == 2
    placed = next(row for row in of(played, RIPPLE_PP) if row.status == "changed")
    assert abs((placed.changed_cycle_no or 0) - STEP_AT) <= 2


def test_a_store_that_cannot_be_read_keeps_no_run_from_opening(tmp_path: Path) -> None:
    assert earlier_of(tmp_path, opened()).said == first_night(UNIT).said
    (tmp_path / "runs").write_text("no folder")
    found = earlier_of(tmp_path, opened())
    assert not found.whole
    assert found.said.startswith("the earlier nights of Q-0121 cannot be read: ")


def test_a_run_that_brings_its_own_state_or_follows_nothing_reads_no_store(tmp_path: Path) -> None:
    for each in (
        msgspec.structs.replace(opened(), trends=b"known"),
        msgspec.structs.replace(opened(), watch_threshold=0.0),
        msgspec.structs.replace(opened(), resumed=True),
    ):
        assert with_earlier(tmp_path, each) == each
    lost = msgspec.structs.replace(opened(), resumed=True, lost="the run's tape cannot be read")
    for each in (opened(), lost):
        assert EARLIER.decode(with_earlier(tmp_path, each).earlier) == first_night(UNIT)


def test_a_process_that_reads_earlier_nights_and_ends_or_cannot_be_started_keeps_no_run_from_opening(
    tmp_path: Path,
) -> None:
    (tmp_path / "runs" / "pan-a1").mkdir(parents=True)
    (tmp_path / "runs" / "pan-a1" / "20261125T213000Z-4f1c.json").write_text("{}")
    for command in (("/bin/false",), (str(tmp_path / "absent"),)):
        found = EARLIER.decode(with_earlier(tmp_path, opened(), command).earlier)
        assert not found.whole
        assert "cannot be read: the process that reads earlier nights" in found.said
    found = EARLIER.decode(with_earlier(tmp_path, opened()).earlier)
    assert found.said == f"{first_night(UNIT).said}; left out: 1 run of which nobody can say whose they are"


def test_a_figure_without_a_value_before_begins_as_one_of_a_new_unit() -> None:
    bare = spoilt(**{f"{RIPPLE_PP}_status": (CYCLES, "not judged")})
    played = Live(earlier=before(bare)).play(records(second(), [RIPPLE_PP]))
    reasons = [row.reason for row in of(played, RIPPLE_PP) if row.status == "not_armed"]
    assert f"of {WATCHED_FROM} values since the first value" in reasons[0]


def test_life_without_nights_has_nothing_left_out() -> None:
    assert life(UNIT, []) == Life(UNIT, (), (), (), (), ())
