"""One cause is one alarm: what follows from it is in the list, names its cause, and calls nobody."""

from tests.alarms.saying import Evening


def test_what_follows_from_an_alarm_calls_nobody_and_ends_with_it() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    evening.sign(1, "lease_lapsed")
    evening.sign(2, "line_down")
    evening.sign(3, "waits_for_go")
    evening.until(700)
    assert evening.calls == ["pan-a1/device_restarted"]
    assert evening.row("pan-a1/line_down").explained_by == "pan-a1/device_restarted"
    for word in ("line_down", "lease_lapsed", "device_restarted", "waits_for_go"):
        evening.sign(800, word, there=False)
    evening.until(900)
    assert evening.states == {"pan-a1/device_restarted": "returned"}


def test_who_acknowledges_a_cause_knows_of_what_follows_and_what_outlasts_it_calls() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    evening.sign(1, "line_down")
    evening.until(100)
    evening.acknowledge(110, "device_restarted")
    assert evening.states["pan-a1/line_down"] == "acknowledged"
    assert evening.row("pan-a1/line_down").acknowledged_by == "R. Vale"
    evening.sign(200, "waits_for_go")
    evening.until(900)
    evening.sign(1000, "device_restarted", there=False)
    evening.sign(1000, "line_down", there=False)
    evening.until(1100)
    assert evening.calls == ["pan-a1/device_restarted", "pan-a1/waits_for_go"]
    assert evening.row("pan-a1/waits_for_go").explained_by == ""


def test_an_alarm_that_nobody_has_acknowledged_explains_nothing_once_its_cause_is_gone() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    evening.sign(60, "device_restarted", there=False)
    evening.sign(3600, "line_down")
    evening.until(4000)
    assert sorted(evening.calling) == ["pan-a1/device_restarted", "pan-a1/line_down"]


def test_a_cause_that_is_seen_behind_its_consequence_explains_it_still() -> None:
    evening = Evening()
    evening.sign(0, "recording_failed")
    evening.sign(30, "disk_short", fixture="host")
    assert evening.calling == ["host/disk_short"]
    assert evening.row("pan-a1/recording_failed").explained_by == "host/disk_short"


def test_a_cause_of_another_fixture_explains_nothing() -> None:
    evening = Evening()
    evening.sign(0, "device_unfit", fixture="pan-b2")
    evening.sign(1, "line_down")
    evening.until(100)
    assert sorted(evening.calling) == ["pan-a1/line_down", "pan-b2/device_unfit"]


def test_an_explained_one_that_wants_a_persons_word_waits_for_the_one_that_explains_it() -> None:
    evening = Evening()
    evening.sign(0, "torque_signal")
    evening.sign(1, "limit_exceeded")
    evening.sign(50, "torque_signal", there=False)
    evening.until(1000)
    assert evening.states == {"pan-a1/torque_signal": "returned", "pan-a1/limit_exceeded": "active"}
    assert evening.calling == ["pan-a1/torque_signal"]
    evening.acknowledge(1100, "torque_signal")
    assert evening.states == {"pan-a1/limit_exceeded": "acknowledged"}
    evening.sign(1200, "limit_exceeded", there=False)
    assert evening.states == {"pan-a1/limit_exceeded": "latched"}
