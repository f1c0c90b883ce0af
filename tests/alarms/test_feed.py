"""Rows become signs: only what changes is one, and nothing is said to be over that nobody has seen to be."""

from typing import Any

import msgspec
from tests.telemetry.watching import RUN, T0, cycle_record, event, over, standing_row, state_row

from nightturn.alarms.feed import Feed
from nightturn.alarms.words import Sign
from nightturn.model.facts import Lock
from nightturn.model.figures import OK, CycleRecord, Figure, Symptoms
from nightturn.model.rows import NO_RUN, STARTING
from nightturn.model.trends import Notice
from nightturn.model.verdicts import ACCEPT

S = 10**9
LOCKS = (Lock("new_boot", "the device restarted", T0),)
NEXT = "20260322T210000Z-0a1c"


def said(signs: list[Sign]) -> list[tuple[str, str, bool]]:
    return [(sign.fixture, sign.condition, sign.there) for sign in signs]


def running(word: str = "turning", run: str = RUN, **changes: Any) -> msgspec.Struct:
    return msgspec.structs.replace(state_row(word, run), link="running", **changes)


def feed_of(fixture: str = "pan-a1") -> Feed:
    feed = Feed()
    feed.row(fixture, running())
    return feed


def cycle(no: int, *, jumps: int = 0, friction: float | None = None) -> CycleRecord:
    figures = (Figure("friction_nm", friction, status=OK),) if friction is not None else ()
    record = cycle_record(no, ts_end=T0 + no * 300 * S)
    return msgspec.structs.replace(
        record,
        ts_start=T0 + (no - 1) * 300 * S + S,
        symptoms=Symptoms(jumps=jumps),
        figures=figures,
        verdict=ACCEPT,
        direction=1,
    )


def test_an_alarm_of_the_core_is_there_until_its_cause_is_over_and_only_changes_are_signs() -> None:
    feed = feed_of()
    assert said(feed.row("pan-a1", event("device_restarted", "alarm").row)) == [
        ("pan-a1", "device_restarted", True)
    ]
    assert said(feed.row("pan-a1", running())) == []
    assert said(feed.row("pan-a1", over("device_restarted").row)) == [("pan-a1", "device_restarted", False)]
    assert said(feed.row("pan-a1", over("device_restarted").row)) == []
    assert feed.row("pan-a1", event("link_noise", "warning").row) == []


def test_an_alarm_without_a_row_is_other_until_the_last_of_its_kind_is_over() -> None:
    feed = feed_of()
    assert said(feed.row("pan-a1", event("device_code_77", "alarm").row)) == [("pan-a1", "other", True)]
    feed.row("pan-a1", event("device_code_78", "alarm").row)
    assert feed.row("pan-a1", over("device_code_77").row) == []
    assert said(feed.row("pan-a1", over("device_code_78").row)) == [("pan-a1", "other", False)]


def test_another_run_begins_without_what_was_said_of_the_one_before() -> None:
    feed = feed_of()
    feed.row("pan-a1", event("limit_exceeded", "alarm").row)
    assert said(feed.row("pan-a1", running("ended"))) == []
    assert said(feed.row("pan-a1", running("locked", NEXT))) == [("pan-a1", "limit_exceeded", False)]


def test_one_disk_is_one_alarm_of_the_host_until_the_last_fixture_has_room() -> None:
    feed = Feed()
    for fixture in ("pan-a1", "pan-b2"):
        feed.row(fixture, running())
    assert said(feed.row("pan-a1", event("disk_short", "alarm").row)) == [("host", "disk_short", True)]
    assert feed.row("pan-b2", event("disk_short", "alarm").row) == []
    assert feed.row("pan-a1", over("disk_short").row) == []
    assert said(feed.row("pan-b2", over("disk_short").row)) == [("host", "disk_short", False)]


def test_a_torque_signal_is_in_order_again_only_when_a_whole_cycle_shows_nothing_of_it() -> None:
    feed = feed_of()
    first = msgspec.structs.replace(event("adc_saturated", "warning").row, ts=T0 + 100 * S)
    assert said(feed.row("pan-a1", first)) == [("pan-a1", "torque_signal", True)]
    assert feed.row("pan-a1", cycle(1)) == []  # it began before
    assert feed.row("pan-a1", cycle(2, jumps=3)) == []
    assert said(feed.row("pan-a1", cycle(3))) == [("pan-a1", "torque_signal", False)]
    assert said(feed.row("pan-a1", cycle(4, jumps=1))) == [
        ("pan-a1", "torque_signal", True)
    ]  # no event says so


def test_courses_and_figures_beyond_what_is_accepted_are_one_sign_as_urgent_as_the_worst() -> None:
    feed = feed_of()
    feed.info("pan-a1", {"run": RUN, "accept_max_friction_nm": 0.15})
    note = Notice("friction_nm", 1, "change", "note", T0, "friction, turning positive, rises")
    (sign,) = feed.row("pan-a1", running(trends=(note,)))
    assert (sign.condition, sign.severity, sign.said) == ("figures", "note", note.said)
    signs = [sign for no in range(1, 6) for sign in feed.row("pan-a1", cycle(no, friction=0.17))]
    (sign,) = signs
    assert (sign.severity, sign.there) == ("today", True)
    assert sign.said.startswith("friction is 170 mN·m for 5 cycles in a row, at most 150 mN·m is accepted")
    for no in range(6, 12):
        signs += feed.row("pan-a1", cycle(no, friction=0.12))
    assert [each.severity for each in signs] == ["today", "note"]
    assert said(feed.row("pan-a1", running())) == [("pan-a1", "figures", False)]


def test_a_calibration_is_a_note_a_month_before_it_is_due_and_for_today_from_then_on() -> None:
    found = []
    for due in ("2026-06-01", "2026-04-10", "2026-03-21"):  # T0 is on 2026-03-21
        feed = feed_of()
        feed.info("pan-a1", {"run": RUN, "calibration_due": due})
        found += [(sign.condition, sign.severity) for sign in feed.row("pan-a1", running())]
    assert found == [("calibration_due", "note"), ("calibration_due", "today")]


def test_what_an_earlier_daemon_knew_waits_for_a_state_that_says_more_than_that_it_starts() -> None:
    known = [
        Sign("pan-a1", "device_restarted", there=True, said="boot", run=RUN),
        Sign("pan-a1", "limit_exceeded", there=True, said="passed", run=RUN),
        Sign("pan-a1", "line_down", there=True, said="down", run=RUN),
        Sign("host", "disk_short", there=True, said="short"),
    ]
    waits = Feed()
    waits.begin(known)
    assert waits.row("pan-a1", standing_row(STARTING, run="")) == []
    assert said(waits.row("pan-a1", running("locked", locks=LOCKS))) == [
        ("pan-a1", "limit_exceeded", False),
        ("host", "disk_short", False),
        ("pan-a1", "waits_for_go", True),
        ("pan-a1", "line_down", False),
    ]
    ended = Feed()
    ended.begin(known)
    assert ("pan-a1", "limit_exceeded", False) not in said(ended.row("pan-a1", standing_row(NO_RUN)))


def test_a_worker_that_died_leaves_its_alarms_to_be_settled_by_the_one_that_follows() -> None:
    feed = feed_of()
    feed.row("pan-a1", event("sync_failed", "alarm").row)
    feed.begin_again("pan-a1")
    assert feed.row("pan-a1", standing_row(STARTING)) == []
    assert said(feed.row("pan-a1", running())) == [("pan-a1", "sync_failed", False)]
