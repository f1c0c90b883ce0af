"""What people do with alarms: set aside with a reason and an end, out of service, put back."""

from tests.alarms.saying import Evening, at

from nightturn.alarms.words import Given, OutOfService, PutBack, SetAside

BY = "R. Vale"


def said(evening: Evening, s: float, word: Given) -> str:
    taken = evening.alarms.handle(at(s), word)
    evening.moved += taken.moved
    return taken.refusal


def test_an_alarm_that_is_set_aside_calls_nobody_until_its_end_and_then_by_itself() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    assert said(evening, 10, SetAside("pan-a1", "device_restarted", BY, "supply is on order", at(3610))) == ""
    assert evening.calling == []
    row = evening.row("pan-a1/device_restarted")
    assert row.set_aside is not None
    assert (row.set_aside.by, row.set_aside.reason, row.set_aside.until_ts) == (
        BY,
        "supply is on order",
        at(3610),
    )
    evening.sign(100, "device_restarted", there=False)
    evening.sign(200, "device_restarted")
    assert evening.calling == []
    evening.until(3611)
    assert evening.calling == ["pan-a1/device_restarted"]
    assert evening.calls == ["pan-a1/device_restarted"] * 2


def test_nothing_is_set_aside_without_a_reason_for_longer_than_half_a_day_or_as_a_whole_fixture() -> None:
    evening = Evening()
    evening.sign(0, "device_restarted")
    hours = 3600
    assert said(evening, 1, SetAside("pan-a1", "device_restarted", BY, " ", at(hours))) == "it needs a reason"
    too_long = SetAside("pan-a1", "device_restarted", BY, "later", at(12 * hours + 3))
    assert said(evening, 2, too_long) == "an alarm is set aside for 12 h at most"
    past = SetAside("pan-a1", "device_restarted", BY, "later", at(1))
    assert said(evening, 2, past) == "an alarm is set aside for 12 h at most"
    assert "one alarm at a time" in said(evening, 3, SetAside("pan-a1", "", BY, "later", at(hours)))
    assert (
        said(evening, 4, SetAside("pan-a1", "nonsense", BY, "later", at(hours)))
        == "there is no alarm 'nonsense'"
    )
    assert evening.calling == ["pan-a1/device_restarted"]


def test_one_that_becomes_urgent_does_not_stay_aside() -> None:
    evening = Evening()
    evening.sign(0, "figures", severity="today")
    said(evening, 1, SetAside("pan-a1", "figures", BY, "known", at(3600)))
    evening.sign(10, "figures", severity="act now")
    assert evening.calling == ["pan-a1/figures"]
    assert evening.row("pan-a1/figures").set_aside is None


def test_a_fixture_out_of_service_calls_nobody_until_it_is_put_back() -> None:
    evening = Evening()
    assert said(evening, 0, OutOfService("pan-a1", "", BY, "new bearing")) == ""
    evening.sign(10, "device_restarted")
    assert evening.calling == []
    out = evening.row("pan-a1/device_restarted").out_of_service
    assert out is not None
    assert out.reason == "new bearing"
    assert said(evening, 20, PutBack("pan-a1", "", BY)) == ""
    assert evening.calling == ["pan-a1/device_restarted"]
    assert said(evening, 30, PutBack("pan-a1", "", BY)) == "pan-a1 is not out of service"


def test_a_single_condition_can_be_out_of_service_and_is_put_back_by_its_name() -> None:
    evening = Evening()
    assert said(evening, 0, OutOfService("pan-a1", "guard_opened", BY, "guard is being replaced")) == ""
    evening.sign(1, "guard_opened")
    evening.sign(2, "device_restarted")
    evening.until(700)
    assert evening.calling == ["pan-a1/device_restarted"]
    assert said(evening, 710, PutBack("pan-a1", "guard_opened", BY)) == ""
    assert set(evening.calling) == {"pan-a1/guard_opened", "pan-a1/device_restarted"}
    assert "neither set aside nor" in said(evening, 720, PutBack("pan-a1", "guard_opened", BY))
