"""The verdict of a night: every judged cycle counts, and an open one says what would decide it."""

from collections.abc import Sequence

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import judge_one
from nightturn.estimation.intervals import half_width
from nightturn.estimation.night_verdict import NO_LIMIT, REPEATABILITY_ONLY, Night
from nightturn.model.figures import CycleRecord, Figure
from nightturn.model.nights import NightVerdict
from nightturn.model.verdicts import ACCEPT, NOT_JUDGED, REJECT, UNDECIDED

LIMIT = AcceptLimit("friction_nm", max=0.150)
RIPPLE = AcceptLimit("ripple_pp_nm", max=0.2, at_rpm=30.0)
VALUES = {"a": 0.120, "r": 0.160, "u": 0.1499}
"""A letter a cycle: accepts, rejects, undecided, `n` not judged."""


def figure(value: float | None, name: str = "friction_nm") -> Figure:
    return Figure(name, value, u=0.001, nu=8.0)


def cycle(number: int, *figures: Figure, limits: Sequence[AcceptLimit] = (LIMIT,)) -> CycleRecord:
    """A cycle that has these figures, held against these limits."""
    record = CycleRecord("", 0, number, "ok", 1, 0, 0, 0, 0, 0, 0, 30.0, 0.0, 1.0, "", "", "", "", figures)
    words = tuple(judge_one(record.figure(limit.figure), limit)[0] for limit in limits)
    return msgspec.structs.replace(record, limit_words=words)


def night_of(story: str) -> Night:
    night = Night()
    for number, letter in enumerate(story, 1):
        night.add(cycle(number, figure(VALUES.get(letter))), [LIMIT])
    return night


def verdict(story: str, planned: int = 0, u_factor_rel: float | None = 1e-4) -> NightVerdict:
    return night_of(story).verdict([LIMIT], planned or len(story), u_factor_rel)


@pytest.mark.parametrize(
    ("story", "planned", "word"),
    [
        ("", 10, UNDECIDED),
        ("a" * 10, 10, ACCEPT),
        ("a" * 8, 10, ACCEPT),
        ("a" * 7, 10, UNDECIDED),
        ("a" * 8 + "nn", 10, ACCEPT),
        ("a" * 7 + "nnn", 10, UNDECIDED),
        ("r" * 10, 10, REJECT),
        ("rrr" + "a" * 97, 100, REJECT),  # whatever follows
        ("a" * 40 + "r" * 60 + "a" * 5, 105, REJECT),
        ("a" * 97 + "rrr", 100, REJECT),
        ("rr" + "a" * 98, 100, ACCEPT),
        ("rnr" + "a" * 97, 100, ACCEPT),  # two judged ones in a row
        ("rnrnr" + "a" * 95, 100, REJECT),  # three judged ones in a row
        ("u" * 20, 20, UNDECIDED),
        ("n" * 10, 10, UNDECIDED),
    ],
)
def test_every_judged_cycle_counts(story: str, planned: int, word: str) -> None:
    assert verdict(story, planned).word == word


@given(st.text("arun", max_size=60), st.text("arun", max_size=60))
def test_three_rejects_in_a_row_are_never_hidden(before: str, after: str) -> None:
    found = verdict(before + "rrr" + after, 1)
    assert found.word == REJECT
    assert "each reject" in found.reasons[0]


@given(st.text("aru", max_size=80))
def test_an_accepted_night_has_its_interval_within_the_limit(story: str) -> None:
    found = verdict(story, len(story))
    (limit,) = found.limits
    assert limit.cycles_judged == len(story)
    if found.word == ACCEPT:
        assert limit.value is not None
        assert limit.u is not None
        assert limit.nu is not None
        assert limit.value + (half_width(Figure("", limit.value, limit.u, limit.nu)) or 0) <= LIMIT.max
        assert found.would_decide == ()
    assert (found.word == UNDECIDED) == bool(found.would_decide)


def test_the_reason_gives_value_interval_limit_and_count() -> None:
    assert verdict("a" * 10).reasons == (
        "friction_nm: 120.00 ± 0.63 mN·m over 10 judged cycles, limit 150 mN·m",
    )


def test_the_reason_of_a_reject_in_the_middle_names_its_cycles() -> None:
    assert verdict("a" * 70 + "rrrr" + "a" * 70).reasons[0].endswith("; cycles 71 to 74 each reject")


def test_the_common_part_does_not_shrink_with_the_number_of_cycles() -> None:
    """5 % of 120 mN·m is 6 mN·m: 1.96 of them reach 11.8 mN·m beyond the value, whatever the number of cycles."""
    (one,) = verdict("a" * 400, u_factor_rel=0.05).limits
    assert one.u == pytest.approx(0.006, rel=0.01)
    assert verdict("a" * 400, u_factor_rel=0.2).word == UNDECIDED


def test_a_limit_nearer_than_the_calibration_is_certain_says_that_no_cycle_would_decide() -> None:
    (would,) = verdict("a" * 400, u_factor_rel=0.2).would_decide
    assert would.startswith("friction_nm: no number of cycles")


def test_a_night_that_is_too_short_says_how_many_cycles_are_missing() -> None:
    assert verdict("a" * 6, 10).would_decide == ("friction_nm: 2 more judged cycles",)
    assert verdict("a" * 6, 10).reasons[0].endswith("; 8 judged cycles are needed to accept")


def test_a_value_near_its_limit_says_about_how_many_cycles_would_decide() -> None:
    night = Night()
    for number in range(1, 13):
        one = Figure("friction_nm", 0.148 + (0.004 if number % 2 else -0.004), u=0.004, nu=8.0)
        night.add(cycle(number, one), [LIMIT])
    found = night.verdict([LIMIT], 12, 1e-4)
    assert found.word == UNDECIDED
    assert found.would_decide[0].startswith("friction_nm: about ")


def test_without_an_uncertainty_of_the_factor_it_is_repeatability_only() -> None:
    assert verdict("a" * 10, u_factor_rel=None).reasons[-1] == REPEATABILITY_ONLY
    assert REPEATABILITY_ONLY not in verdict("a" * 10).reasons


def test_without_a_limit_nothing_is_judged() -> None:
    found = night_of("aaa").verdict([], 3, None)
    assert (found.word, found.reasons, found.limits) == (NOT_JUDGED, (NO_LIMIT,), ())


@pytest.mark.parametrize(
    ("most", "word", "words"), [(0.2, UNDECIDED, [ACCEPT, UNDECIDED]), (0.14, REJECT, [ACCEPT, REJECT])]
)
def test_one_limit_that_is_missed_or_open_keeps_a_night_from_being_accepted(
    most: float, word: str, words: list[str]
) -> None:
    """160 mN·m in the three cycles that were judged of ten: missed, or met by too few."""
    ripple = msgspec.structs.replace(RIPPLE, max=most)
    night = Night()
    for number in range(1, 11):
        two = figure(VALUES["a"]), figure(VALUES["r"] if number < 4 else None, ripple.figure)
        night.add(cycle(number, *two, limits=[LIMIT, ripple]), [LIMIT, ripple])
    found = night.verdict([LIMIT, ripple], 10, 1e-4)
    assert found.word == word
    assert [each.word for each in found.limits] == words
    assert all(each.startswith("ripple_pp_nm: ") for each in found.reasons)


def test_the_state_survives_its_encoding() -> None:
    night = night_of("aarrruunna" * 20)
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(night), type=Night) == night
