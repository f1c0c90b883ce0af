"""What is said first of a run, by the verdict and by what it does: one function for the report and the wall."""

import dataclasses

import msgspec
import pytest
from tests.report.nights import without_cycles
from tests.report.test_first_page import FRICTION

from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.verdicts import ACCEPT, MAX, REJECT, UNDECIDED
from nightturn.report.first_words import first_words
from nightturn.report.night import ReportNight
from nightturn.sentences.morning import Severity
from nightturn.storage.standing import Standing

BEYOND = NightVerdict(
    REJECT, (), (LimitVerdict("friction_nm", MAX, "", 0.17, 0.0001, 100.0, 0.15, REJECT, 150),)
)
STILL = "Standing still: the guard is open. Nothing turns until a person releases it."


def standing(
    one: ReportNight, verdict: NightVerdict | None, state: Standing, motion: str = ""
) -> ReportNight:
    """The run as if it had that verdict, were in that state and its shaft did that; without gaps."""
    summary = dataclasses.replace(
        one.summary, night_verdict=verdict, state=state, motion=motion, motion_text="the guard is open"
    )
    manifest = msgspec.structs.replace(one.manifest, state="ended" if state == "ended" else "running")
    return dataclasses.replace(one, summary=summary, manifest=manifest, gaps=(), unread=())


def test_a_rejected_unit_stays_rejected_while_it_waits_for_a_person(one: ReportNight) -> None:
    found = first_words(standing(one, BEYOND, "running", "locked"), changed=False)
    assert found.need is Severity.ACT_NOW
    assert found.sentence.startswith("Q-0117 does not pass so far: friction is 170")
    assert found.more == STILL


def test_one_that_waits_for_a_person_says_so_and_only_while_it_runs(one: ReportNight) -> None:
    undecided = NightVerdict(UNDECIDED, (), (FRICTION,))
    found = first_words(standing(one, undecided, "running", "locked"), changed=False)
    assert (found.need, found.sentence, found.more) == (Severity.TODAY, STILL, "")
    states: tuple[Standing, ...] = ("ended", "interrupted")
    for state in states:
        later = first_words(standing(one, undecided, state, "locked"), changed=False)
        assert "Standing still" not in later.sentence + later.more


@pytest.mark.parametrize(("changed", "need"), [(False, Severity.NOTE), (True, Severity.TODAY)])
def test_what_is_not_decided_yet_calls_nobody_unless_something_changed(
    one: ReportNight, need: Severity, *, changed: bool
) -> None:
    whole = dataclasses.replace(one, cycles=one.cycles[one.cycles["status"] == "ok"])
    found = first_words(standing(whole, NightVerdict(UNDECIDED, (), (FRICTION,)), "running"), changed=changed)
    assert found.need is need
    assert found.inside
    assert found.sentence == ("Q-0117 is inside its limits so far, 150 cycles judged. Engineering only.")


def test_before_the_first_cycle_nobody_is_called(one: ReportNight) -> None:
    found = first_words(standing(without_cycles(one), None, "running"), changed=False)
    assert (found.need, found.sentence) == (
        Severity.NOTE,
        "The first figures come with the end of the first cycle.",
    )
    accepted = first_words(standing(one, NightVerdict(ACCEPT, (), (FRICTION,)), "ended"), changed=False)
    assert accepted.inside
