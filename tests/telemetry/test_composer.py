"""Which messages rows make: alarms and those that an earlier daemon left, one end of a run, a farewell."""

import json
from typing import Any

import msgspec
from tests.telemetry.watching import (
    LAB,
    RUN,
    T0,
    alarm_row,
    cycle_record,
    event,
    standing_row,
    state_row,
)

from nightturn.model.rows import FAILED, NO_RUN, EventRow, GapRow, RecoveredRow, RunEnded, TrendRow
from nightturn.telemetry.composer import Composer
from nightturn.telemetry.message import Message
from nightturn.telemetry.topics import Topics

TOPICS = Topics(LAB, "bench-1")
NEXT_RUN = "20260322T210000Z-0a1c"
S = 10**9


def composer(boot: str = "b8") -> Composer:
    return Composer(TOPICS, boot)


def payload(message: Message) -> dict[str, Any]:
    decoded = json.loads(message.payload)
    assert isinstance(decoded, dict)
    return decoded


def alarm_of(boot: str = "b7", kind: str = "device_restarted", host: str = "bench-1") -> bytes:
    """The retained alarm that another start of the daemon has left."""
    older = Composer(Topics(LAB, host), boot)
    (found,) = older.row("pan-a1", alarm_row(kind))
    assert found.topic == TOPICS.alarm("pan-a1", kind)
    return found.payload


def test_the_end_of_a_run_is_one_message_of_one_shape() -> None:
    subject = composer()
    assert subject.row("pan-a1", event("run_ended").row) == []
    (end,) = subject.row("pan-a1", RunEnded(T0, RUN, "plan done", "plan"))
    assert end.topic == TOPICS.event("pan-a1", "run_ended")
    assert (payload(end)["schema"], payload(end)["reason"], payload(end)["seq"]) == (
        "run_ended",
        "plan done",
        1,
    )


def test_what_recovery_made_is_news_of_its_own_run_and_time_and_no_alarm_of_this_start() -> None:
    subject = composer()
    subject.row("pan-a1", state_row("locked", NEXT_RUN))
    lost = EventRow(T0 - 5 * S, 3, 0, "tape_damaged", "alarm", "records are lost")
    end = EventRow(T0, 3, 0, "run_ended", "info", "stopped by R. Vale")
    gap = GapRow("host", 3, 100, 119, T0 - 6 * S, T0 - 5 * S, 20, exact=True)
    (said,) = subject.row("pan-a1", RecoveredRow(RUN, lost))
    (missing,) = subject.row("pan-a1", RecoveredRow(RUN, gap))
    assert (said.topic, said.retain) == (TOPICS.event("pan-a1", "tape_damaged"), False)
    assert missing.topic == TOPICS.event("pan-a1", "gap")
    assert [payload(each)["run"] for each in (said, missing)] == [RUN, RUN]
    assert [payload(each)["seq"] for each in (said, missing)] == [1, 2]
    assert payload(said)["ts"] == payload(missing)["ts"] == "2026-03-21T20:59:55.123456Z"
    assert subject.row("pan-a1", RecoveredRow(RUN, end)) == []  # its own row says it
    assert subject.stamps()["pan-a1"].run == NEXT_RUN


def test_an_alarm_is_retained_with_each_change_and_cleared_once_when_it_is_over() -> None:
    subject, topic = composer(), TOPICS.alarm("pan-a1", "overload")
    (raised,) = subject.row("pan-a1", alarm_row())
    assert (raised.topic, raised.retain, payload(raised)["state"]) == (topic, True, "active")
    (known,) = subject.row("pan-a1", alarm_row(state="acknowledged", acknowledged_by="R. Vale"))
    assert (payload(known)["state"], payload(known)["acknowledged_by"]) == ("acknowledged", "R. Vale")
    (cleared,) = subject.row("pan-a1", alarm_row(state="normal"))
    assert (cleared.topic, cleared.payload, cleared.retain) == (topic, b"", True)
    assert subject.row("pan-a1", alarm_row(state="normal")) == []


def test_an_event_is_no_alarm_by_itself_and_an_alarm_of_the_host_has_its_own_place() -> None:
    subject = composer()
    messages = subject.row("pan-a1", event("disk_short", "alarm").row)
    assert [message.topic for message in messages] == [TOPICS.event("pan-a1", "disk_short")]
    (message,) = subject.row("host", alarm_row("disk_short", fixture="host", run=""))
    assert message.topic == "nightturn/v1/quillfen/host/bench-1/alarm/disk_short"
    assert subject.stamps().keys() == {"pan-a1"}  # the host is no fixture


def test_the_alarm_of_a_fixture_that_is_no_longer_in_the_rig_is_cleared_and_one_of_another_host_is_left() -> (
    None
):
    subject, topic = composer(), TOPICS.alarm("pan-a1", "device_restarted")
    assert subject.found(topic, alarm_of(host="bench-2")) == []
    assert subject.found(topic, alarm_of(boot="b8")) == []  # our own, as the broker sends it back
    assert subject.found(topic, b"") == []
    assert subject.found(topic, b"[1]") == []
    assert subject.found(topic, b"\xff") == []
    assert subject.found(TOPICS.state("pan-a1"), alarm_of()) == []
    (cleared,) = subject.found(topic, alarm_of())
    assert (cleared.topic, cleared.payload) == (topic, b"")


def test_an_alarm_that_is_open_still_is_not_cleared_for_its_older_self() -> None:
    subject, topic = composer(), TOPICS.alarm("pan-a1", "sync_failed")
    subject.row("pan-a1", alarm_row("sync_failed"))
    assert subject.found(topic, alarm_of(kind="sync_failed")) == []
    assert subject.found(TOPICS.alarm("pan-a1", "seal_failed"), alarm_of(kind="seal_failed")) != []


def test_who_leaves_says_offline_for_every_fixture_whose_run_has_not_ended() -> None:
    subject = composer()
    subject.row("pan-a1", state_row("turning"))
    subject.row("pan-a2", state_row("ended"))
    subject.row("pan-b1", standing_row(NO_RUN, run=""))
    left = {message.topic: payload(message) for message in subject.leave(T0)}
    assert set(left) == {TOPICS.state("pan-a1"), TOPICS.state("pan-b1")}
    turned = left[TOPICS.state("pan-a1")]
    assert (turned["state"], turned["run"], turned["unit"], turned["cycle_no"]) == ("offline", RUN, "U-17", 4)
    assert (turned["inputs"], turned["link"], turned["expected_end_ts"]) == (None, None, None)


def test_what_a_core_said_is_of_no_other_run() -> None:
    subject = composer()
    subject.row("pan-a1", state_row("ended"))
    (failed,) = subject.row("pan-a1", standing_row(FAILED, NEXT_RUN))
    assert payload(failed)["unit"] is None


def test_the_expected_end_follows_the_plan_and_then_the_cycles_and_is_unknown_while_a_person_is_waited_for() -> (
    None
):
    subject = composer()
    subject.info("pan-a1", {"run": RUN, "cycle_planned_s": 100.0}, T0)

    def expected(**changes: Any) -> str | None:
        *_, message = subject.row("pan-a1", state_row(**changes))
        found = payload(message)["expected_end_ts"]
        assert found is None or isinstance(found, str)
        return found

    assert expected(cycles_done=69) == "2026-03-21T21:03:20.123456Z"  # two of 71 cycles, 100 s each, from now
    for number, seconds in enumerate(
        (60, 120, 1000, 1060)
    ):  # a pause of a quarter of an hour changes no median
        subject.row("pan-a1", cycle_record(number, ts_end=T0 - 1060 * S + seconds * S))
    assert expected(cycles_done=70) == "2026-03-21T21:01:00.123456Z"
    assert expected(word="locked", cycles_done=70) is None
    assert expected(cycles_done=71) is None


def test_no_end_is_expected_of_a_plan_that_is_more_than_its_cycles() -> None:
    subject = composer()
    subject.info("pan-a1", {"run": RUN, "cycle_planned_s": 100.0, "more_than_cycles": True}, T0)
    *_, message = subject.row("pan-a1", state_row(cycles_done=69))
    assert payload(message)["expected_end_ts"] is None


def test_limits_and_rated_torque_of_the_info_are_in_states_and_cycles() -> None:
    subject = composer()
    limits = {"rated_torque_nm": 15.0, "accept_max_friction_nm": 0.15, "protect_max_torque_nm": 18.0}
    subject.info("pan-a1", {"run": RUN, "transducer": "TR-204", **limits}, T0)
    (state,) = subject.row("pan-a1", state_row())
    (cycle,) = subject.row("pan-a1", cycle_record())
    for message in (state, cycle):
        assert limits.items() <= payload(message).items()
        assert "transducer" not in payload(message)


def test_a_figure_without_a_value_in_a_cycle_makes_no_message() -> None:
    subject = composer()
    row = TrendRow(
        ts=T0, epoch=0, cycle_no=4, figure="friction_nm", direction=1, strokes=0, value=0.1, u=1e-3, degc=25.0, status="not_armed",
        reason="", baseline=None, scatter=None, sum_up=0.0, sum_down=0.0, threshold=9.8, suspected_cycle_no=None,
    )  # fmt: skip
    (message,) = subject.row("pan-a1", row)
    assert message.topic == TOPICS.measurement("pan-a1", "trend")
    assert payload(message)["seq"] == 1
    assert subject.row("pan-a1", msgspec.structs.replace(row, value=None)) == []
