"""Which messages rows make: alarms that end, older ones that go on or are cleared, one end of a run, a farewell."""

import json
from typing import Any

import msgspec
import pytest
from tests.telemetry.watching import (
    LAB,
    RUN,
    T0,
    cycle_record,
    event,
    over,
    standing_row,
    state_row,
)

from nightturn.model.facts import Lock
from nightturn.model.rows import FAILED, NO_RUN, STARTING, EventRow, GapRow, RecoveredRow, RunEnded, TrendRow
from nightturn.telemetry.composer import Composer
from nightturn.telemetry.message import Message
from nightturn.telemetry.topics import Topics

TOPICS = Topics(LAB, "bench-1")
LOCKS = (Lock("new_boot", "the device restarted", T0),)
NEXT_RUN = "20260322T210000Z-0a1c"
S = 10**9


def composer(boot: str = "b8") -> Composer:
    return Composer(TOPICS, boot)


def payload(message: Message) -> dict[str, Any]:
    decoded = json.loads(message.payload)
    assert isinstance(decoded, dict)
    return decoded


def alarm_of(
    boot: str = "b7", kind: str = "device_restarted", run: str = RUN, host: str = "bench-1"
) -> bytes:
    """The retained alarm that another start of the daemon has left."""
    older = Composer(Topics(LAB, host), boot)
    older.row("pan-a1", state_row("locked", run))
    _, alarm = older.row("pan-a1", event(kind, "alarm").row)
    assert alarm.topic == TOPICS.alarm("pan-a1", kind)
    return alarm.payload


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
    assert subject.row("pan-a1", over("tape_damaged").row) == []
    assert subject.stamps()["pan-a1"].run == NEXT_RUN


def test_an_alarm_ends_with_its_cause_and_only_once() -> None:
    subject = composer()
    subject.row("pan-a1", event("overload", "alarm").row)
    (cleared,) = subject.row("pan-a1", over("overload").row)
    assert (cleared.topic, cleared.payload, cleared.retain) == (TOPICS.alarm("pan-a1", "overload"), b"", True)
    assert subject.row("pan-a1", over("overload").row) == []


def test_a_count_of_repeated_signs_is_no_alarm_of_its_own() -> None:
    messages = composer().row("pan-a1", event("repeated", "alarm").row)
    assert [message.topic for message in messages] == [TOPICS.event("pan-a1", "repeated")]


def test_an_older_alarm_waits_for_what_its_fixture_does_and_goes_on_while_a_person_is_waited_for() -> None:
    subject, topic = composer(), TOPICS.alarm("pan-a1", "device_restarted")
    subject.row("pan-a1", standing_row(STARTING, run=""))
    assert subject.found(topic, alarm_of()) == []
    _, taken = subject.row("pan-a1", state_row("locked", locks=LOCKS))
    said = payload(taken)
    assert (taken.topic, said["daemon_boot"], said["state"]) == (topic, "b8", "active")
    assert said["ts"] == "2026-03-21T21:00:00.123456Z"  # since then, not since the restart
    _, cleared = subject.row("pan-a1", state_row("allowed"))
    assert (cleared.topic, cleared.payload) == (topic, b"")


@pytest.mark.parametrize(
    ("kind", "run", "row"),
    [
        ("device_restarted", RUN, state_row("allowed")),  # somebody has said go
        ("device_restarted", RUN, standing_row(NO_RUN)),  # the run has ended
        ("device_restarted", RUN, state_row("locked", NEXT_RUN, locks=LOCKS)),  # another run
        ("sync_failed", RUN, state_row("locked", locks=LOCKS)),  # the core of now says so itself if it is so
        ("limit_exceeded", RUN, state_row("locked", NEXT_RUN)),
        ("device_restarted", "", standing_row(NO_RUN, run="")),
    ],
)
def test_an_older_alarm_whose_cause_has_gone_is_cleared(kind: str, run: str, row: Any) -> None:
    subject, topic = composer(), TOPICS.alarm("pan-a1", kind)
    subject.row("pan-a1", row)
    (cleared,) = subject.found(topic, alarm_of(kind=kind, run=run))
    assert (cleared.topic, cleared.payload, cleared.retain) == (topic, b"", True)


def test_the_alarm_that_ended_a_run_lasts_over_a_restart_until_another_run_begins() -> None:
    subject, topic = composer(), TOPICS.alarm("pan-a1", "limit_exceeded")
    subject.row("pan-a1", standing_row(NO_RUN))
    (taken,) = subject.found(topic, alarm_of(kind="limit_exceeded"))
    assert payload(taken)["daemon_boot"] == "b8"
    cleared, _ = subject.row("pan-a1", state_row("locked", NEXT_RUN))
    assert (cleared.topic, cleared.payload) == (topic, b"")


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


def test_an_alarm_raised_again_is_not_cleared_for_its_older_self() -> None:
    subject, topic = composer(), TOPICS.alarm("pan-a1", "sync_failed")
    subject.row("pan-a1", state_row("locked"))
    subject.row("pan-a1", event("sync_failed", "alarm").row)
    assert subject.found(topic, alarm_of(kind="sync_failed")) == []


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


def test_alarms_of_a_worker_that_died_are_those_of_an_earlier_daemon_for_the_one_that_follows() -> None:
    subject = composer()
    subject.row("pan-a1", state_row("turning"))
    subject.row("pan-a1", event("device_restarted", "alarm").row)
    subject.row("pan-a1", event("disk_short", "alarm").row)
    subject.begin_again("pan-a1")
    (_starting,) = subject.row("pan-a1", standing_row(STARTING))
    state, *settled = subject.row("pan-a1", state_row("locked", locks=LOCKS))
    assert payload(state)["state"] == "locked"
    kept = {message.topic: message.payload for message in settled}
    assert json.loads(kept[TOPICS.alarm("pan-a1", "device_restarted")])["state"] == "active"
    assert kept[TOPICS.alarm("pan-a1", "disk_short")] == b""  # whoever follows raises it again if it lasts
    (ends,) = subject.row("pan-a1", over("device_restarted").row)
    assert (ends.topic, ends.payload) == (TOPICS.alarm("pan-a1", "device_restarted"), b"")


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
