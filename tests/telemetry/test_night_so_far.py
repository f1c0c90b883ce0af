"""What of a night travels in its retained state: how soon a person has to act, the first sentence, at most 60 points."""

from collections.abc import Sequence
from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st
from tests.telemetry.test_composer import composer, payload
from tests.telemetry.watching import T0, cycle_record, standing_row, state_row

from nightturn.model.figures import REFUSED, Figure
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.purposes import RELEASE
from nightturn.model.rows import StateRow
from nightturn.model.trends import Notice
from nightturn.model.verdicts import ACCEPT, MAX, MIN, REJECT, UNDECIDED
from nightturn.telemetry.night_so_far import POINTS_MAX, NightSoFar

S = 10**9


def night_of(values: Sequence[float | None]) -> NightSoFar:
    """A cycle every 400 s; None: friction was refused."""
    subject = NightSoFar()
    for no, value in enumerate(values, start=1):
        figure = Figure("friction_nm", value, 0.001, 30.0, n=4)
        if value is None:
            figure = Figure("friction_nm", None, status=REFUSED)
        end = T0 + no * 400 * S
        subject.add(cycle_record(no, figures=(figure,), ts_start=end - 400 * S, ts_end=end))
    return subject


def verdict(word: str, limit: float = 0.15, direction: str = MAX, judged: int = 12) -> NightVerdict:
    each = LimitVerdict("friction_nm", direction, "", 0.12, 0.001, 30.0, limit, word, judged)
    return NightVerdict(word, (), (each,), purpose=RELEASE)


def row(word: str, **changes: Any) -> StateRow:
    return state_row(night_verdict=verdict(word), cycles_done=12, **changes)


def test_a_night_inside_its_limits_asks_for_nobody_and_one_that_is_rejected_does_at_once() -> None:
    subject = night_of([0.12] * 12)
    said = subject.said(row(UNDECIDED))
    assert (said["need"], said["sentence"]) == (
        "note",
        "U-17 is inside its limits so far, 12 cycles judged. For release.",
    )
    beyond = night_of([0.12] * 9 + [0.16] * 3).said(row(REJECT))
    assert beyond["need"] == "act now"
    assert (
        beyond["sentence"]
        == "U-17 does not pass so far: friction reached 160.0 ± 2.0 mN·m (repeatability), 150 mN·m is allowed. For release."
    )


def test_a_rejected_unit_whose_cycles_nobody_knows_any_more_is_not_said_to_have_its_mean_beyond() -> None:
    said = NightSoFar().said(row(REJECT))
    assert (
        said["sentence"]
        == "U-17 does not pass so far: friction lies beyond its limit, 150 mN·m is allowed. For release."
    )
    assert said["strip"] is None


def test_what_stands_still_and_what_changes_call_for_a_person_today_or_sooner() -> None:
    subject = night_of([0.12] * 12)
    still = subject.said(row(UNDECIDED, state="locked", reason="a guard was opened"))
    assert still["need"] == "today"
    assert str(still["sentence"]).startswith("Standing still: a guard was opened.")
    course = Notice("friction_nm", 1, "change", "act now", T0, "friction rises since 02:47")
    changed = subject.said(msgspec.structs.replace(row(UNDECIDED), trends=(course,)))
    assert (changed["need"], changed["more"]) == ("act now", "Friction rises since 02:47.")
    failed = subject.standing(standing_row("failed"), row(ACCEPT))
    assert (failed["need"], failed["sentence"]) == ("act now", "It is failed; somebody.")
    assert failed["strip"] == subject.strip(row(ACCEPT))


def test_before_the_first_cycle_nothing_is_said_of_the_unit() -> None:
    said = NightSoFar().said(state_row(cycles_done=0))
    assert said["sentence"] == "The first figures come with the end of the first cycle."
    assert (said["need"], said["strip"]) == ("note", None)


@given(
    st.lists(st.one_of(st.none(), st.integers(100, 200).map(lambda n: n / 1000)), min_size=1, max_size=300)
)
def test_the_strip_has_at_most_60_points_and_keeps_the_value_that_is_nearest_to_its_limit(
    values: list[float | None],
) -> None:
    subject = night_of(values)
    strip = subject.strip(row(UNDECIDED))
    lower = subject.strip(state_row(night_verdict=verdict(UNDECIDED, direction=MIN)))
    assert strip is not None
    assert lower is not None
    after, points, low = strip["after_s"], strip["values"], lower["values"]
    assert isinstance(after, list)
    assert isinstance(points, list)
    assert isinstance(low, list)
    assert len(after) == len(points) <= POINTS_MAX
    assert after == sorted(set(after))
    assert after[-1] == len(values) * 400
    known = [each for each in values if each is not None]
    assert max((each for each in points if each is not None), default=None) == max(known, default=None)
    assert min((each for each in low if each is not None), default=None) == min(known, default=None)


def test_another_run_begins_with_an_empty_strip() -> None:
    subject = composer()
    subject.row("pan-a1", state_row())
    subject.row("pan-a1", cycle_record())
    (of_run,) = subject.row("pan-a1", row(UNDECIDED))
    assert payload(of_run)["strip"]["values"] == [0.118]
    assert payload(of_run)["strip"]["begun_ts"] == "2026-03-21T20:53:15.123456Z"
    (of_next,) = subject.row("pan-a1", state_row(run="20260322T210000Z-0a1c"))
    assert payload(of_next)["strip"] is None
