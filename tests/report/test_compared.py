"""Two runs held against each other, as the command does it."""

import dataclasses
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd
import pytest
from replay_logs.make import Recorded
from tests.cli.terminal import typed
from tests.report.test_document import Page, night

from nightturn.estimation.night_figure import NOT_SHOWN, REAL
from nightturn.estimation.purpose import NOT_ASKED
from nightturn.report.both_turns import turns_of
from nightturn.report.compared import _beware, compared, figure_rows, headline
from nightturn.report.night import ReportNight


def planned(found: ReportNight, **plan: Any) -> ReportNight:
    """The same run as if its plan had been another."""
    fixture = found.settings.fixture
    changed = msgspec.structs.replace(fixture, plan=msgspec.structs.replace(fixture.plan, **plan))
    return dataclasses.replace(found, settings=msgspec.structs.replace(found.settings, fixture=changed))


def test_a_run_against_itself_shows_no_difference_and_the_same_angles(one: ReportNight) -> None:
    found = compared(one, one)
    judged = [line for line in found.figures if not line.refused]
    assert judged
    assert {line.word for line in judged} == {NOT_SHOWN}
    assert {line.difference for line in judged} == {0.0}
    assert found.orders == ()
    assert found.known == ("A and B are the same run, so nothing can differ",)
    assert not any("read as real" in text for text in found.beware)
    assert found.purposes == tuple(f"{name} is engineering: {NOT_ASKED}" for name in "AB")
    assert found.angle.startswith("friction differs most at")


def test_the_first_sentence_names_what_is_really_different_and_in_which_sense(one: ReportNight) -> None:
    same = compared(one, one)
    count = sum(not line.refused for line in same.figures)
    assert headline(same) == f"No real difference is shown in any of {count} figures."
    lower = msgspec.structs.replace(same.figures[0], difference=-0.0126, difference_half=0.0014, word=REAL)
    found = msgspec.structs.replace(same, figures=(lower, *same.figures[1:]))
    assert headline(found) == (
        f"The difference is real: ripple of A is 12.6 ± 1.4 mN·m lower. None is shown in the other {count - 1}."
    )
    nothing = msgspec.structs.replace(same, figures=(msgspec.structs.replace(lower, refused="no"),))
    assert headline(nothing) == "Nothing could be compared."


def test_chance_and_a_mean_that_hides_a_change_are_said(one: ReportNight) -> None:
    cycles = one.cycles.copy()
    good = cycles["friction_nm_status"] == "ok"
    assert good.any()
    cycles.loc[good, "friction_nm_u"] /= 1000.0  # as if each cycle were far surer than the mean of all
    sure = dataclasses.replace(one, cycles=cycles)
    (said,) = [text for text in compared(sure, one).beware if " of A " in text]
    assert said.startswith("within the night of A these moved: friction")
    assert said.endswith("hides what became of them; --last HOURS compares how both ended")
    assert not any(" of A " in text for text in compared(sure, one, last_h=1.0).beware)
    line = msgspec.structs.replace(compared(one, one).figures[0], word=REAL)
    assert list(_beware((line,), one, one, 1.0)) == [
        "with nothing different about one figure in 20 would read as real, and one order in 370 be listed"
    ]


def test_another_speed_or_torque_is_refused_figure_by_figure(one: ReportNight) -> None:
    plan = one.settings.fixture.plan
    assert plan.hold is not None
    slow = msgspec.structs.replace(plan.slow_turn, speed_rpm=2 * plan.slow_turn.speed_rpm)
    said = {line.figure: text for line, text in figure_rows(compared(one, planned(one, slow_turn=slow)))}
    assert said["friction_nm"].startswith("not compared: turned at ")
    assert "not compared" not in said["ripple_pp_nm"]
    hold = msgspec.structs.replace(plan.hold, torque_nm=plan.hold.torque_nm / 2)
    said = {line.figure: text for line, text in figure_rows(compared(one, planned(one, hold=hold)))}
    assert said["ripple_pp_nm"].startswith("not compared: holding ")
    hold = msgspec.structs.replace(plan.hold, speed_rpm=plan.hold.speed_rpm / 2)
    said = {line.figure: text for line, text in figure_rows(compared(one, planned(one, hold=hold)))}
    assert said["ripple_pp_nm"].startswith("not compared: held at ")
    said = {line.figure: text for line, text in figure_rows(compared(one, planned(one, hold=None)))}
    assert said["ripple_pp_nm"] == "not compared: a plan has no hold"


def test_another_version_of_the_method_is_refused(one: ReportNight) -> None:
    cycles = one.cycles.copy()
    cycles["friction_nm_method"] += 1
    said = {
        line.figure: text
        for line, text in figure_rows(compared(one, dataclasses.replace(one, cycles=cycles)))
    }
    assert said["friction_nm"].startswith("not compared: made by different versions of the method")


def test_what_differs_beside_the_units_is_said(one: ReportNight) -> None:
    settings = one.settings
    variant = msgspec.structs.replace(settings.variant, rated_torque_nm=20.0, slots=54)
    transducer = msgspec.structs.replace(settings.fixture.transducer, serial="TR-999")
    fixture = msgspec.structs.replace(settings.fixture, id="pan-z9", transducer=transducer)
    card = msgspec.structs.replace(settings.card, mounted_utc="2026-11-26T21:00:00Z")
    other = msgspec.structs.replace(settings, variant=variant, fixture=fixture, card=card)
    found = compared(one, dataclasses.replace(one, settings=other))
    said = " ".join(found.known)
    for words in (
        "on different fixtures",
        "through different transducers",
        "rated for different torques",
        "orders and angles are not",
    ):
        assert words in said
    assert found.angle.startswith("angles are not compared: between two mountings")


def marked(found: ReportNight, mark_deg: float, mounted_utc: str) -> ReportNight:
    """The same run as if its unit had been mounted then, the mark of its rotor at that angle."""
    card = msgspec.structs.replace(found.settings.card, mark_deg=mark_deg, mounted_utc=mounted_utc)
    return dataclasses.replace(found, settings=msgspec.structs.replace(found.settings, card=card))


def turned_by(found: ReportNight, points: int) -> ReportNight:
    """The same run as if the rotor had sat that much further on the encoder."""
    curves = found.curves.copy()
    turned = [np.roll(np.asarray(each, np.float64), points) for each in curves["torque_nm"]]
    curves["torque_nm"] = pd.Series(turned, index=curves.index, dtype=object)
    return dataclasses.replace(found, curves=curves)


def test_marks_on_the_rotor_tie_the_angles_of_two_mountings(one: ReportNight) -> None:
    points = max(len(each) for each in one.curves["torque_nm"])
    other = marked(turned_by(one, points // 4), 90.0, "2026-11-26T21:00:00Z")
    tied = turns_of(marked(one, 0.0, "2026-11-25T21:00:00Z"), other, None)
    assert tied.foot == "angle from the mark of each rotor"
    assert "from the mark of each rotor, by 0 N·m" in tied.words
    assert tied.one.forward_nm == pytest.approx(tied.other.forward_nm)
    loose = turns_of(one, other, None)
    assert loose.foot == "angle, each from its own zero"
    assert "no mark ties the rotor to the encoder's zero" in loose.words


def test_an_encoder_without_a_mark_has_no_angle_to_compare(one: ReportNight) -> None:
    encoder = msgspec.structs.replace(one.settings.fixture.encoder, reference="none")
    fixture = msgspec.structs.replace(one.settings.fixture, encoder=encoder)
    unmarked = dataclasses.replace(one, settings=msgspec.structs.replace(one.settings, fixture=fixture))
    assert compared(unmarked, unmarked).angle.startswith(
        "angles are not compared: an encoder has no index mark"
    )


def test_the_command_prints_each_difference_and_writes_a_page(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    unit = night(recorded.root).unit
    out = tmp_path / "compared" / "both.html"
    outcome = typed(["compare", str(recorded.root), unit, unit, "--out", str(out)], capsys)
    assert outcome.code == 0
    assert "no difference is shown" in " ".join(outcome.out.split())
    text = out.read_text("utf-8")
    page = Page(text)
    assert not any(tag == "script" for tag, _ in page.tags)
    assert "emergency stop, guards and safe torque off belong in certified hardware" in " ".join(page.words)
    as_json = typed(["compare", str(recorded.root), unit, unit, "--last", "0.05", "--json"], capsys)
    found = msgspec.json.decode(as_json.out)
    assert "of the last 0.05 h" in found["one"]


def test_a_unit_without_a_run_is_refused_with_those_that_have_one(
    recorded: Recorded, capsys: pytest.CaptureFixture[str]
) -> None:
    outcome = typed(["compare", str(recorded.root), "Q-9999", "Q-9999"], capsys)
    assert outcome.code == 4
    assert "no run of unit Q-9999; there are runs of" in outcome.err
    first = typed(["compare", str(recorded.root), night(recorded.root).unit, "first"], capsys)
    assert first.code == 4
    assert "is the first run of Q-0117; there is none before it" in " ".join(first.err.split())
