"""Who is sent word, and when: once, in quiet hours only what cannot wait, a flood as one message, and somebody else where nobody answers."""

from tests.alarms.saying import Evening, at

from nightturn.alarms.notices import Notices, Rules, Sent, Word

NIGHT = Rules(quiet_from=22 * 60, quiet_to=6 * 60, escalate_s=900.0, alive_at=7 * 60)


def asked(notices: Notices, evening: Evening, s: float, minute: int = 12 * 60, day: int = 1) -> list[Word]:
    evening.until(s)
    return [word for word in notices.due(at(s), minute, day, evening.alarms.rows()) if word.kind != "alive"]


def test_what_is_to_act_on_now_goes_out_at_once_and_once() -> None:
    evening, notices = Evening(), Notices(NIGHT)
    evening.sign(0, "device_unfit")
    assert asked(notices, evening, 5) == []
    (word,) = asked(notices, evening, 11)
    assert word.kind == "alarm"
    assert "act now: pan-a1: the device cannot be used" in word.text
    assert "What to do: " in word.text
    assert asked(notices, evening, 60) == []
    again = Notices(NIGHT, notices.sent)  # a daemon that starts again
    assert asked(again, evening, 120) == []


def test_a_flood_of_two_hundred_is_one_message() -> None:
    evening, notices = Evening(), Notices(NIGHT)
    for place in range(200):
        evening.sign(place * 0.02, "recording_failed", fixture=f"pan-{place}")
    (word,) = asked(notices, evening, 15)
    assert [row.id for row in word.rows] == ["flood"]


def test_what_is_for_today_waits_five_minutes_and_for_the_end_of_quiet_hours() -> None:
    evening, notices = Evening(), Notices(NIGHT)
    evening.sign(0, "device_restarted")
    assert asked(notices, evening, 290) == []
    assert asked(notices, evening, 301, minute=23 * 60) == []
    assert asked(notices, evening, 400, minute=5 * 60 + 59) == []
    (word,) = asked(notices, evening, 500, minute=6 * 60)
    assert word.rows[0].id == "device_restarted"


def test_quiet_hours_do_not_hold_back_what_is_to_act_on_now() -> None:
    evening, notices = Evening(), Notices(NIGHT)
    evening.sign(0, "shaft_still_moves")
    assert len(asked(notices, evening, 11, minute=3 * 60)) == 1


def test_somebody_else_is_sent_word_when_nobody_acknowledges_and_nobody_when_somebody_does() -> None:
    for acknowledged in (True, False):
        evening, notices = Evening(), Notices(NIGHT)
        evening.sign(0, "device_unfit")
        assert len(asked(notices, evening, 11)) == 1
        if acknowledged:
            evening.acknowledge(100)
        later = asked(notices, evening, 11 + 901)
        assert [word.kind for word in later] == ([] if acknowledged else ["escalation"])
        assert asked(notices, evening, 5000) == []


def test_a_more_urgent_one_is_news_and_a_note_is_in_the_daily_word_only() -> None:
    evening, notices = Evening(), Notices(NIGHT)
    evening.sign(0, "figures", severity="note")
    assert asked(notices, evening, 1000) == []
    evening.sign(1000, "figures", severity="act now")
    assert len(asked(notices, evening, 1011)) == 1
    before = notices.due(at(1020), 7 * 60 - 1, 2, evening.alarms.rows())
    (alive,) = notices.due(at(1030), 7 * 60, 2, evening.alarms.rows())
    assert before == []
    assert "open are:\nact now: pan-a1: figures have moved" in alive.text
    assert notices.due(at(1040), 7 * 60 + 1, 2, []) == []
    (well,) = notices.due(at(90_000), 7 * 60, 3, [])
    assert well.text == "nightturn is there; no alarm is open"


def test_nothing_is_sent_of_what_is_acknowledged_explained_or_set_aside() -> None:
    evening, notices = Evening(), Notices(Rules())
    evening.sign(0, "device_restarted")
    evening.sign(1, "line_down")
    evening.acknowledge(2, "device_restarted")
    assert asked(notices, evening, 4000) == []
    assert notices.sent == Sent()
