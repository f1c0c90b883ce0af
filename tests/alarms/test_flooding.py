"""Many alarms at once are one line.

The bounds, more than ten in ten minutes and fewer than five at the end, are from public summaries of EEMUA 191, not from the
publication itself.
"""

from tests.alarms.saying import Evening


def test_a_flood_of_two_hundred_is_one_line_with_the_first_in_front() -> None:
    evening = Evening()
    for place in range(200):
        evening.sign(place * 0.05, "recording_failed", fixture=f"pan-{place}")
    assert evening.calling == ["host/flood"]
    line = evening.row("host/flood")
    assert line.gathers == 200
    assert line.severity == "act now"
    assert "the first was of pan-0: recording_failed at 0 s" in line.said
    assert len(evening.calls) == 12  # ten before anybody could know, the eleventh, and the line


def test_who_acknowledges_the_line_acknowledges_all_and_it_ends_with_the_last_of_them() -> None:
    evening = Evening()
    for place in range(20):
        evening.sign(place, "recording_failed", fixture=f"pan-{place}")
    assert evening.acknowledge(60, "flood", fixture="host") == ""
    assert set(evening.states.values()) == {"acknowledged"}
    for place in range(20):
        evening.sign(100 + place, "recording_failed", there=False, fixture=f"pan-{place}")
    evening.until(200)
    assert evening.states == {}


def test_ten_in_ten_minutes_are_no_flood() -> None:
    evening = Evening()
    for place in range(10):
        evening.sign(place, "recording_failed", fixture=f"pan-{place}")
    assert len(evening.calling) == 10
    evening.sign(700, "recording_failed", fixture="pan-10")
    assert len(evening.calling) == 11


def test_behind_a_flood_an_alarm_calls_by_itself_again() -> None:
    evening = Evening()
    for place in range(20):
        evening.sign(place, "recording_failed", fixture=f"pan-{place}")
    evening.sign(30, "device_unfit", fixture="pan-x")
    assert evening.row("pan-x/device_unfit").explained_by == "host/flood"
    evening.sign(1000, "device_unfit", fixture="pan-y")
    assert evening.row("pan-y/device_unfit").explained_by == ""
    assert evening.calling == ["host/flood", "pan-y/device_unfit"]


def test_a_shaft_that_may_turn_is_never_one_of_many() -> None:
    evening = Evening()
    for place in range(20):
        evening.sign(place, "recording_failed", fixture=f"pan-{place}")
    evening.sign(21, "shaft_still_moves", fixture="pan-x")
    assert "pan-x/shaft_still_moves" in evening.calling


def test_a_flood_is_as_urgent_as_the_most_urgent_of_it_and_calls_again_when_that_grows() -> None:
    evening = Evening()
    for place in range(12):
        evening.sign(place, "device_restarted", fixture=f"pan-{place}")
    assert evening.row("host/flood").severity == "today"
    evening.acknowledge(20, "flood", fixture="host")
    evening.sign(30, "device_unfit", fixture="pan-x")
    assert evening.row("host/flood").severity == "act now"
    assert evening.calls[-1] == "host/flood"
