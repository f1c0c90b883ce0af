"""Which events are drawn: those that matter, once, with what happened in words."""

import dataclasses

from nightturn.model.clocks import NS_PER_S
from nightturn.report.moments import moments
from nightturn.report.night import Happened, ReportNight


def drawn(one: ReportNight, *events: Happened) -> tuple[list[str], list[str]]:
    missing: list[tuple[str, str]] = []
    pictures = list(moments(dataclasses.replace(one, events=events), 920, missing))
    return [each.title.partition(": ")[2] for each in pictures], [text for _, text in missing]


def test_a_guard_that_opens_while_the_shaft_stands_is_counted_and_one_while_it_turns_is_drawn(
    one: ReportNight,
) -> None:
    standing = one.over[0] + NS_PER_S
    turning = int(one.cycles["ts_start"].astype("int64").iloc[0]) + 10 * NS_PER_S
    words = "guard opened (input 1 guard_closed)"
    titles, missing = drawn(
        one, Happened(standing, "guard_opened", words), Happened(turning, "guard_opened", words)
    )
    assert titles == [words]
    assert missing == ["Not drawn: 1 event at which the shaft stood still."]


def test_what_follows_within_seconds_is_in_the_same_picture(one: ReportNight) -> None:
    at = one.over[1] + 1000 * NS_PER_S
    titles, missing = drawn(
        one,
        Happened(at, "line_lost", "the line was lost"),
        Happened(at + NS_PER_S, "line_lost", "the line was lost"),
        Happened(at + 2 * NS_PER_S, "lease_lapsed", "motion lease ran out"),
        Happened(at + 3 * NS_PER_S, "overload", ""),
        Happened(at + 100 * NS_PER_S, "line_lost", "the host closes the line"),
    )
    assert titles == ["line lost: the line was lost; lease lapsed: motion lease ran out; and 1 more"]
    assert missing == []
