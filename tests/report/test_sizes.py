"""A report at the ends of what a night may be: empty, one cycle, thousands, dozens of events, long names."""

import dataclasses
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pytest
from replay_logs.make import Recorded
from tests.report.test_document import Page, night, renamed

from nightturn.report.document import document
from nightturn.report.moments import EVENTS_MAX
from nightturn.report.night import Happened, Missing, ReportNight

CYCLE_NS = 190_000_000_000


@pytest.fixture(scope="module")
def usual(recorded: Recorded) -> ReportNight:
    return night(recorded.root)


def of_cycles(usual: ReportNight, count: int) -> ReportNight:
    """The same night with so many cycles, each a copy of its first complete one."""
    first = usual.cycles[usual.cycles["status"] == "ok"].iloc[[0]]
    cycles = pd.concat([first] * count, ignore_index=True) if count else usual.cycles.iloc[:0]
    curves = usual.curves[usual.curves["cycle_no"] == int(first["cycle_no"].iloc[0])]
    for name in ("ts_start", "ts_end"):
        cycles[name] = cycles[name] + pd.to_timedelta(np.arange(count) * CYCLE_NS, unit="ns")
    cycles["cycle_no"] = np.arange(1, count + 1)
    many = [curves.assign(cycle_no=number) for number in range(1, count + 1)]
    return dataclasses.replace(
        usual, cycles=cycles, curves=pd.concat(many) if many else usual.curves.iloc[:0]
    )


def words(found: ReportNight) -> tuple[str, str]:
    text = document(found).html
    return text, " ".join(Page(text).words)


def test_a_run_without_a_cycle_says_what_is_not_drawn(usual: ReportNight) -> None:
    empty = dataclasses.replace(of_cycles(usual, 0), events=(), gaps=(), strokes=usual.strokes.iloc[:0])
    _, said = words(empty)
    assert "The night is not drawn" in said
    assert "0 complete of 0 begun" in said
    assert "nobody was at the rig, nothing stopped" in said


def test_a_run_of_one_cycle_has_its_turn_and_nothing_to_compare_it_with(usual: ReportNight) -> None:
    text, said = words(of_cycles(usual, 1))
    assert '<figure id="turn">' in text
    assert '<figure id="map">' not in text
    assert "all cycles are of the first hour" in said


def test_two_thousand_cycles_fit_the_page(usual: ReportNight) -> None:
    text, said = words(of_cycles(usual, 2000))
    assert len(text) < 1_500_000
    assert "2000 complete of 2000 begun" in said


def test_forty_events_are_counted_and_some_are_drawn(usual: ReportNight) -> None:
    begin = usual.over[0]
    events = tuple(Happened(begin + at * CYCLE_NS, "line_lost", "the line was lost") for at in range(40))
    text, said = words(dataclasses.replace(usual, events=events))
    assert text.count('<figure id="event-') == EVENTS_MAX
    assert f"{40 - EVENTS_MAX} of 40 events are not drawn" in said


def test_a_night_of_nothing_but_gaps_never_reads_as_passing(usual: ReportNight) -> None:
    begin, end = usual.over
    gaps = (Missing("link", begin, end, 1000),)
    summary = dataclasses.replace(usual.summary, night_verdict=None)
    _, said = words(dataclasses.replace(of_cycles(usual, 0), gaps=gaps, summary=summary))
    assert "nobody has worked out a verdict" in said
    assert "Samples are missing by link." in said
    assert " passes" not in said.split("What a person must do")[0]


def test_very_long_names_stay_text_and_give_a_short_file(usual: ReportNight, tmp_path: Path) -> None:
    from nightturn.report.document import file_name

    long = renamed(usual, "Q" * 500)
    card = msgspec.structs.replace(long.settings.card, operator="\u0645\u0647\u0646\u062f\u0633 " * 20)
    long = dataclasses.replace(long, settings=msgspec.structs.replace(long.settings, card=card))
    _, said = words(long)
    assert "Q" * 500 in said
    assert len(file_name(long)) < 140
    (tmp_path / file_name(long)).write_text("x")
