"""The first sentences of a morning: the verdict chooses the words, never the point value."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.model.verdicts import ACCEPT, NOT_JUDGED, REJECT, UNDECIDED
from nightturn.sentences.morning import (
    Doing,
    LimitSaid,
    Severity,
    inside_so_far,
    severity_of,
    to_do,
    verdict_sentence,
)

RIPPLE = LimitSaid("ripple", "%", 0.6, upper=True, word=REJECT, judged=150, value=0.80, half=0.01)
FRICTION = LimitSaid("friction", "N·m", 0.15, upper=True, word=ACCEPT, judged=150, value=0.0886, half=0.0002)


def limit(
    word: str, value: float | None = 0.6, half: float | None = 0.01, *, judged: int = 12, upper: bool = True
) -> LimitSaid:
    return LimitSaid("ripple", "%", 0.6, upper=upper, word=word, judged=judged, value=value, half=half)


@pytest.mark.parametrize(
    ("word", "limits", "ended", "said"),
    [
        (ACCEPT, [FRICTION], True, "Q-0117 passes: every figure is inside its limit."),
        (ACCEPT, [FRICTION], False, "Q-0117 passes so far: every figure is inside its limit."),
        (
            REJECT,
            [RIPPLE, FRICTION],
            True,
            "Q-0117 does not pass: ripple is 0.800 ± 0.010 % of rated torque (repeatability), 0.6 % is allowed.",
        ),
        (
            REJECT,
            [
                LimitSaid(
                    "ripple",
                    "%",
                    0.6,
                    upper=True,
                    word=REJECT,
                    judged=9,
                    value=0.56,
                    half=0.24,
                    last_value=0.65,
                    last_half=0.008,
                )
            ],
            True,
            "Q-0117 does not pass: ripple reached 0.6500 ± 0.0080 % of rated torque (repeatability), 0.6 % is allowed.",
        ),
        (
            REJECT,
            [LimitSaid("friction", "N·m", 0.05, upper=False, word=REJECT, judged=9, value=0.03, half=0.001)],
            True,
            "Q-0117 does not pass: friction is 30.0 ± 1.0 mN·m (repeatability), at least 50 mN·m is asked for.",
        ),
        (
            UNDECIDED,
            [limit(UNDECIDED)],
            True,
            "Q-0117 is not decided: ripple is 0.600 ± 0.010 % of rated torque (repeatability), too near to the limit to decide, 0.6 % is allowed.",
        ),
        (
            UNDECIDED,
            [limit(UNDECIDED, 0.5)],
            False,
            "Q-0117 is not decided so far: what was judged is inside its limit, but of too few cycles: 12 cycles for ripple.",
        ),
        (
            UNDECIDED,
            [limit(UNDECIDED, None, None, judged=0)],
            True,
            "Q-0117 cannot be judged: no cycle gave a ripple that can be held against its limit.",
        ),
        (NOT_JUDGED, [], True, "Q-0117 has no limits to be judged by; its variant gives none."),
        (None, [], True, "Q-0117 is not judged: nobody has worked out a verdict of this run."),
    ],
)
def test_each_state_has_its_sentence(
    word: str | None, limits: list[LimitSaid], ended: bool, said: str
) -> None:
    assert verdict_sentence("Q-0117", word, limits, ended=ended) == said


NUMBERS = st.none() | st.floats(-10, 10)
WORDS = st.sampled_from([None, ACCEPT, REJECT, UNDECIDED, NOT_JUDGED])
LIMITS = st.lists(
    st.builds(
        LimitSaid,
        title=st.sampled_from(["ripple", "friction"]),
        unit=st.sampled_from(["%", "N·m"]),
        limit=st.floats(0.01, 10),
        upper=st.booleans(),
        word=st.sampled_from([ACCEPT, REJECT, UNDECIDED]),
        judged=st.integers(0, 200),
        value=NUMBERS,
        half=st.none() | st.floats(0, 10),
        last_value=NUMBERS,
        last_half=st.none() | st.floats(0, 10),
    ),
    max_size=4,
)


@given(word=WORDS, limits=LIMITS, ended=st.booleans())
def test_a_unit_that_does_not_pass_never_reads_as_passing(
    word: str | None, limits: list[LimitSaid], ended: bool
) -> None:
    said = verdict_sentence("Q-0117", word, limits, ended=ended)
    reads_as_passing = said.startswith("Q-0117 passes")
    assert reads_as_passing == (word == ACCEPT and bool(limits))
    assert ("does not pass" in said) == (word == REJECT and bool(limits))
    assert said.endswith(".")
    assert "nan" not in said


@given(word=WORDS, changed=st.booleans(), disturbed=st.booleans())
def test_only_a_night_without_anything_is_a_note(word: str | None, changed: bool, disturbed: bool) -> None:
    found = severity_of(word, changed=changed, disturbed=disturbed)
    assert (found is Severity.NOTE) == (word == ACCEPT and not changed and not disturbed)
    assert (found is Severity.ACT_NOW) == (word == REJECT)


def test_the_three_words() -> None:
    assert [each.word for each in Severity] == ["note", "today", "act now"]


def what(
    *, word: str, limits: list[LimitSaid], changed: list[str], would: list[str] | None = None
) -> list[str]:
    done = to_do(
        "Q-0121",
        word,
        limits,
        changed=changed,
        measure_next=[Doing("Measure at another speed.", "It would hold or rule out damage in a bearing.")]
        if changed
        else [],
        would_decide=would or [],
        disturbed=[],
    )
    assert all(each.why for each in done)
    return [each.what for each in done]


def test_a_rejected_unit_that_changed_is_not_run_on() -> None:
    assert what(word=REJECT, limits=[RIPPLE], changed=["friction"]) == [
        "Do not release Q-0121.",
        "Do not run it on before somebody has looked at it.",
        "Measure at another speed.",
    ]


def test_a_change_inside_the_limits_is_looked_at() -> None:
    assert (
        what(word=ACCEPT, limits=[FRICTION], changed=["friction"])[0]
        == "Look at what changed before Q-0121 goes on."
    )


def test_an_undecided_night_names_what_would_decide_it() -> None:
    done = to_do(
        "Q-0121",
        UNDECIDED,
        [limit(UNDECIDED)],
        changed=[],
        measure_next=[],
        would_decide=["ripple: 12 more judged cycles"],
        disturbed=[],
    )
    assert done == (Doing("Measure on, to decide.", "It would decide: ripple: 12 more judged cycles."),)


def test_a_good_night_asks_for_nothing() -> None:
    assert what(word=ACCEPT, limits=[FRICTION], changed=[]) == []


ZERO = LimitSaid("zero", "N·m", 0.1, upper=True, word=UNDECIDED, judged=150, value=-0.3, half=0.01)


def test_a_magnitude_beyond_its_limit_is_not_inside_because_it_is_negative() -> None:
    assert inside_so_far("Q-0117", [ZERO]) == ""
    said = verdict_sentence("Q-0117", UNDECIDED, [ZERO], ended=True)
    assert said.endswith("too near to the limit to decide, 100 mN·m is allowed either way.")
    with_sign = dataclasses.replace(ZERO, signed=True)
    assert inside_so_far("Q-0117", [with_sign]) == "Q-0117 is inside its limits so far, 150 cycles judged."


def test_within_the_guard_band_it_is_not_the_number_of_cycles_that_is_too_small() -> None:
    near = dataclasses.replace(ZERO, value=0.094, half=0.002)
    assert "of too few cycles" in verdict_sentence("Q-0117", UNDECIDED, [near], ended=True)
    guarded = dataclasses.replace(near, guard=0.01)
    assert verdict_sentence("Q-0117", UNDECIDED, [guarded], ended=True) == (
        "Q-0117 is not decided: zero is 94.0 ± 2.0 mN·m (repeatability), too near to the limit to decide, 100 mN·m is allowed, guard band 10 mN·m."
    )
    assert inside_so_far("Q-0117", [guarded]) == ""
