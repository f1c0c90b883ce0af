"""Evenings of alarms: when somebody is called, how often, and what ends it."""

import msgspec
import pytest
from tests.alarms.saying import Evening, at

from nightturn.alarms.engine import OPEN_MAX, Alarms
from nightturn.alarms.words import Begun, Sign
from nightturn.model.trends import ACT_NOW, NOTE, TODAY


def test_an_alarm_is_raised_acknowledged_by_name_and_returns() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    assert evening.states == {"pan-a1/device_restarted": "active"}
    assert evening.acknowledge(60) == ""
    row = evening.row("pan-a1/device_restarted")
    assert (row.state.value, row.acknowledged_by, row.acknowledged_ts) == ("acknowledged", "R. Vale", at(60))
    assert row.todo
    assert row.since_ts == at(0)
    evening.sign(120, "device_restarted", there=False)
    assert evening.states == {}
    assert evening.calls == ["pan-a1/device_restarted"]


def test_one_that_returns_before_anybody_knows_waits_for_somebody() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    evening.sign(30, "device_restarted", there=False)
    assert evening.states == {"pan-a1/device_restarted": "returned"}
    assert evening.row("pan-a1/device_restarted").returned_ts == at(30)
    assert evening.acknowledge(40) == ""
    assert evening.states == {}
    assert evening.acknowledge(50) == "pan-a1 has no alarm that waits for somebody"


def test_a_latched_one_wants_a_persons_word_behind_its_return() -> None:
    evening = Evening()
    evening.sign(0, "limit_exceeded")
    evening.acknowledge(5)
    evening.sign(60, "limit_exceeded", there=False)
    assert evening.states == {"pan-a1/limit_exceeded": "latched"}
    evening.acknowledge(70)
    assert evening.states == {}


def test_what_lasts_shorter_than_its_delay_is_no_alarm_and_what_lasts_longer_is_one_since_its_begin() -> None:
    evening = Evening()
    evening.sign(0, "line_down")
    evening.sign(59, "line_down", there=False)
    evening.until(600)
    assert evening.moved == []
    evening.sign(1000, "line_down")
    evening.until(1059)
    assert evening.states == {}
    evening.until(1061)
    assert evening.row("pan-a1/line_down").since_ts == at(1000)


def test_what_waited_for_its_delay_when_a_daemon_ended_is_no_alarm_of_the_next_one() -> None:
    evening = Evening()
    evening.sign(0, "line_down")  # the host closes its lines as it ends
    evening.sign(1, "device_restarted")
    assert evening.alarms.handle(at(8 * 3600), Begun("b2", "0.1.0", ("pan-a1",))).moved == ()
    evening.until(9 * 3600)
    assert evening.states == {"pan-a1/device_restarted": "active"}
    assert [sign.condition for sign in evening.alarms.causes()] == ["device_restarted"]


def test_a_line_that_comes_and_goes_within_its_off_delay_is_one_alarm() -> None:
    evening = Evening()
    evening.sign(0, "line_down")
    evening.until(61)
    for s in range(70, 700, 20):
        evening.sign(s, "line_down", there=False)
        evening.sign(s + 10, "line_down")
    assert evening.calls == ["pan-a1/line_down"]
    evening.sign(800, "line_down", there=False)
    evening.until(816)
    assert evening.states == {"pan-a1/line_down": "returned"}


def test_a_moment_is_an_alarm_that_returns_by_itself_and_calls_again_only_when_it_had() -> None:
    evening = Evening()
    evening.sign(0, "broker_refuses")
    evening.acknowledge(10)
    evening.sign(600, "broker_refuses")
    assert evening.states == {"pan-a1/broker_refuses": "acknowledged"}
    evening.until(600 + 901)
    assert evening.states == {}
    evening.sign(2000, "broker_refuses")
    assert evening.calls == ["pan-a1/broker_refuses"] * 2


def test_several_moments_within_an_hour_make_an_alarm_and_fewer_do_not() -> None:
    evening = Evening()
    for s in (0, 3000, 7000, 7500):
        evening.sign(s, "lease_lapses")
    assert evening.calls == []
    evening.sign(8000, "lease_lapses")
    assert evening.calls == ["pan-a1/lease_lapses"]


def test_one_that_becomes_more_urgent_calls_again_also_behind_an_acknowledgement() -> None:
    evening = Evening()
    evening.sign(0, "figures", severity=NOTE, parts=("friction_nm",))
    evening.acknowledge(10)
    evening.sign(20, "figures", severity=NOTE, parts=("friction_nm", "ripple_pp_nm"))
    assert evening.states == {"pan-a1/figures": "acknowledged"}
    evening.sign(30, "figures", severity=TODAY, parts=("friction_nm",))
    assert evening.states == {"pan-a1/figures": "active"}
    evening.acknowledge(40)
    evening.sign(50, "figures", severity=ACT_NOW, parts=("friction_nm",))
    evening.acknowledge(60)
    evening.sign(70, "figures", severity=ACT_NOW, parts=("friction_nm", "ripple_pp_nm"))
    assert (
        evening.calls == ["pan-a1/figures"] * 4
    )  # at first, twice more urgent, and another figure to act on now
    assert evening.row("pan-a1/figures").number == 1


def test_a_note_ends_with_its_cause_and_nobody_has_to_know() -> None:
    evening = Evening()
    evening.sign(0, "figures", severity=NOTE)
    evening.sign(60, "figures", there=False)
    evening.until(62)
    assert evening.states == {}


def test_those_that_call_come_first_and_of_them_the_most_urgent_then_the_oldest() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    evening.sign(1, "device_restarted", fixture="pan-b2")
    evening.sign(2, "shaft_still_moves", fixture="pan-c3")
    evening.sign(3, "rest_unseen", fixture="pan-c3")
    order = [f"{row.fixture}/{row.id}" for row in evening.alarms.rows()]
    assert order == [
        "pan-c3/shaft_still_moves",
        "pan-a1/device_restarted",
        "pan-b2/device_restarted",
        "pan-c3/rest_unseen",  # explained by the first
    ]


def test_what_finds_no_place_is_counted() -> None:
    evening = Evening()
    for place in range(OPEN_MAX + 5):
        evening.alarms.handle(at(0), Sign(f"pan-{place}", "guard_opened", there=True, said="opened"))
    assert evening.alarms.unlisted == 5


def test_a_state_of_another_version_is_not_taken_over() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    packed = evening.alarms.snapshot()
    again = Alarms()
    again.restore(packed)
    assert again.rows() == evening.alarms.rows()
    assert again.snapshot() == packed
    with pytest.raises(msgspec.DecodeError, match="version 2"):
        again.restore(msgspec.msgpack.encode((2, msgspec.msgpack.decode(packed)[1])))
