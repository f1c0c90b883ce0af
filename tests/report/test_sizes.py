"""A report at the ends of what a night may be: empty, one cycle, thousands, dozens of events, long names."""

import dataclasses
from pathlib import Path

import pytest
from tests.report.nights import ARABIC, LONG, named, of_cycles, of_events, of_gaps, without_cycles
from tests.report.test_document import Page

from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.verdicts import MAX, UNDECIDED
from nightturn.report import drawn as room
from nightturn.report.document import document, file_name
from nightturn.report.drawn import drawn
from nightturn.report.moments import EVENTS_MAX
from nightturn.report.night import ReportNight


def words(found: ReportNight) -> tuple[str, str]:
    text = document(found).html
    return text, " ".join(Page(text).words)


def test_a_run_without_a_cycle_says_what_is_not_drawn(one: ReportNight) -> None:
    _, said = words(without_cycles(one))
    assert "The night is not drawn" in said
    assert "0 complete of 0 begun" in said
    assert "no intervention and no stop is on record" in said


def test_a_run_of_one_cycle_has_its_turn_and_nothing_to_compare_it_with(one: ReportNight) -> None:
    text, said = words(of_cycles(one, 1))
    assert '<figure id="turn">' in text
    assert '<figure id="map">' not in text
    assert "all cycles are of the first hour" in said


def test_two_thousand_cycles_fit_the_page(one: ReportNight) -> None:
    text, said = words(of_cycles(one, 2000))
    assert len(text) < 1_500_000
    assert "2000 complete of 2000 begun" in said


def test_forty_events_are_counted_and_some_are_drawn(one: ReportNight) -> None:
    text, said = words(of_events(one, 40))
    assert text.count('<figure id="event-') == EVENTS_MAX
    assert f"{40 - EVENTS_MAX} of 40 events are not drawn" in said


def test_a_night_of_nothing_but_gaps_never_reads_as_passing(one: ReportNight) -> None:
    _, said = words(of_gaps(one))
    assert "nobody has worked out a verdict" in said
    assert "Samples were lost on the line." in said
    assert " passes" not in said.split("What a person must do")[0]


def test_very_long_names_stay_text_and_give_a_short_file(one: ReportNight, tmp_path: Path) -> None:
    long = named(one, LONG, ARABIC * 20)
    _, said = words(long)
    assert LONG in said
    assert len(file_name(long)) < 140
    (tmp_path / file_name(long)).write_text("x")


def test_a_figure_with_a_limit_is_drawn_in_every_cycle_and_the_others_in_some_of_many(
    one: ReportNight, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "OTHERS_CYCLES", 2)
    limit = LimitVerdict("ripple_rms_nm", MAX, "", 0.01, 0.001, 10.0, 0.02, UNDECIDED, 5)
    summary = dataclasses.replace(one.summary, night_verdict=NightVerdict(UNDECIDED, (), (limit,)))
    found = drawn(dataclasses.replace(of_cycles(one, 5), summary=summary))
    by_name = {each.name: each for each in found.pictures}
    assert "ripple, rms, N·m" in by_name["night"].head
    others = by_name["night-others"]
    assert others.title == "The other figures over the night, one cycle in 3"
    assert not {"ripple, rms, N·m", "friction, N·m"} & set(others.head)
    assert len(by_name["night"].rows) == 5
    assert len(others.rows) == 2
