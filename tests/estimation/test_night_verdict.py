"""The verdict of a night: every judged cycle counts, and an open one says what would decide it."""

import math
from collections.abc import Sequence

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import judge_one
from nightturn.estimation.intervals import half_width
from nightturn.estimation.night_verdict import NO_LIMIT, REPEATABILITY_ONLY, Night, _combined
from nightturn.model.figures import BUDGET, NU_MANY, REPEATABILITY, CycleRecord, Figure
from nightturn.model.limits import AT_LIMIT
from nightturn.model.nights import NightVerdict
from nightturn.model.verdicts import ACCEPT, DECISION_RULE, NOT_JUDGED, REJECT, UNDECIDED

LIMIT = AcceptLimit("friction_nm", 0.150)
RIPPLE = AcceptLimit("ripple_pp_nm", 0.2, at_rpm=30.0)
VALUES = {"a": 0.120, "r": 0.160, "u": 0.1499}
"""A letter a cycle: accepts, rejects, undecided, `n` not judged."""


def figure(
    value: float | None, name: str = "friction_nm", common_rel: float = 1e-4, kind: str = BUDGET
) -> Figure:
    """Scatter of 1 mN·m and a common part, relative to the value, as a factor has it."""
    common = abs(value or 0.0) * common_rel
    return Figure(
        name, value, math.hypot(0.001, common), 8.0, u_rep=0.001, nu_rep=8.0, u_common=common, kind=kind
    )


def cycle(number: int, *figures: Figure, limits: Sequence[AcceptLimit] = (LIMIT,)) -> CycleRecord:
    """A cycle that has these figures, held against these limits."""
    record = CycleRecord("", 0, number, "ok", 1, 0, 0, 0, 0, 0, 0, 30.0, 0.0, 1.0, "", "", "", "", figures)
    words = tuple(judge_one(record.figure(limit.figure), limit)[0] for limit in limits)
    return msgspec.structs.replace(record, limit_words=words)


def night_of(story: str, common_rel: float = 1e-4, kind: str = BUDGET) -> Night:
    night = Night()
    for number, letter in enumerate(story, 1):
        night.add(cycle(number, figure(VALUES.get(letter), common_rel=common_rel, kind=kind)), [LIMIT])
    return night


def verdict(story: str, planned: int = 0, *, common_rel: float = 1e-4, kind: str = BUDGET) -> NightVerdict:
    return night_of(story, common_rel, kind).verdict([LIMIT], planned or len(story))


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
        assert limit.value + (half_width(Figure("", limit.value, limit.u, limit.nu)) or 0) <= LIMIT.limit
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
    (one,) = verdict("a" * 400, common_rel=0.05).limits
    assert one.u == pytest.approx(0.006, rel=0.01)
    assert verdict("a" * 400, common_rel=0.2).word == UNDECIDED


@pytest.mark.parametrize(
    ("scatter", "nu", "common"), [(0.003, 4.0, 0.004), (0.02, 9.0, 0.001), (0.001, 3.0, 0.0)]
)
def test_both_parts_add_up_as_the_guide_has_it(scatter: float, nu: float, common: float) -> None:
    """JCGM 100:2008, (G.2b): nu_eff = u^4 / sum of u_i^4 / nu_i; a part whose degrees of freedom are many adds nothing there."""
    u, nu_eff = _combined(scatter, nu, common)
    assert u**2 == pytest.approx(scatter**2 + common**2)
    assert nu_eff == pytest.approx(u**4 / (scatter**4 / nu + common**4 / NU_MANY))


def test_a_limit_nearer_than_the_calibration_is_certain_says_that_no_cycle_would_decide() -> None:
    (would,) = verdict("a" * 400, common_rel=0.2).would_decide
    assert would.startswith("friction_nm: no number of cycles")


def test_a_night_that_is_too_short_says_how_many_cycles_are_missing() -> None:
    assert verdict("a" * 6, 10).would_decide == ("friction_nm: 2 more judged cycles",)
    assert verdict("a" * 6, 10).reasons[0].endswith("; at least 8 judged cycles must be there to accept")


def test_a_value_near_its_limit_says_about_how_many_cycles_would_decide() -> None:
    night = Night()
    for number in range(1, 13):
        one = Figure("friction_nm", 0.148 + (0.004 if number % 2 else -0.004), u=0.004, nu=8.0)
        night.add(cycle(number, one), [LIMIT])
    found = night.verdict([LIMIT], 12)
    assert found.word == UNDECIDED
    assert found.would_decide[0].startswith("friction_nm: about ")


def test_without_certificate_data_the_interval_is_called_repeatability() -> None:
    bare = verdict("a" * 10, kind=REPEATABILITY)
    assert bare.reasons[-1] == REPEATABILITY_ONLY
    assert [limit.kind for limit in bare.limits] == [REPEATABILITY]
    assert REPEATABILITY_ONLY not in verdict("a" * 10).reasons
    assert [limit.kind for limit in verdict("a" * 10).limits] == [BUDGET]


def test_a_night_without_a_cycle_says_nothing_of_its_intervals() -> None:
    assert REPEATABILITY_ONLY not in verdict("", 10).reasons
    assert verdict("nnn", 10).kind is None


def test_one_cycle_without_certificate_data_makes_the_night_repeatability() -> None:
    night = night_of("a" * 9)
    night.add(cycle(10, figure(VALUES["a"], kind=REPEATABILITY)), [LIMIT])
    assert night.verdict([LIMIT], 10).limits[0].kind == REPEATABILITY


@given(st.integers(1, 300), st.floats(1e-6, 1e-2))
def test_the_common_part_is_that_of_one_cycle_whatever_their_number(count: int, common: float) -> None:
    """Fully correlated contributions of a mean: their mean (JCGM 100:2008, 5.2.2, note 1)."""
    night = Night()
    for number in range(1, count + 1):
        one = Figure(
            "friction_nm", 0.120, math.hypot(1e-9, common), 8.0, u_rep=1e-9, nu_rep=8.0, u_common=common
        )
        night.add(cycle(number, one), [LIMIT])
    (limit,) = night.verdict([LIMIT], count).limits
    assert limit.u == pytest.approx(common, rel=1e-4)


def test_an_interval_that_ends_on_its_limit_says_that_the_last_digits_could_decide() -> None:
    (one,) = verdict("a" * 10).limits
    assert one.value is not None
    end = one.value + (half_width(Figure("", one.value, one.u, one.nu)) or 0)
    on_it = msgspec.structs.replace(LIMIT, limit=end)
    night = Night()
    for number in range(1, 11):
        night.add(cycle(number, figure(VALUES["a"]), limits=[on_it]), [on_it])
    found = night.verdict([on_it], 10)
    assert found.word == ACCEPT
    assert AT_LIMIT in found.reasons[0]
    assert AT_LIMIT not in verdict("a" * 10).reasons[0]


def test_without_a_limit_nothing_is_judged() -> None:
    found = night_of("aaa").verdict([], 3)
    assert (found.word, found.reasons, found.limits) == (NOT_JUDGED, (NO_LIMIT,), ())


@pytest.mark.parametrize(
    ("most", "word", "words"), [(0.2, UNDECIDED, [ACCEPT, UNDECIDED]), (0.14, REJECT, [ACCEPT, REJECT])]
)
def test_one_limit_that_is_missed_or_open_keeps_a_night_from_being_accepted(
    most: float, word: str, words: list[str]
) -> None:
    """160 mN·m in the three cycles that were judged of ten: missed, or met by too few."""
    ripple = msgspec.structs.replace(RIPPLE, limit=most)
    night = Night()
    for number in range(1, 11):
        two = figure(VALUES["a"]), figure(VALUES["r"] if number < 4 else None, ripple.figure)
        night.add(cycle(number, *two, limits=[LIMIT, ripple]), [LIMIT, ripple])
    found = night.verdict([LIMIT, ripple], 10)
    assert found.word == word
    assert [each.word for each in found.limits] == words
    assert all(each.startswith("ripple_pp_nm: ") for each in found.reasons)


@pytest.mark.parametrize(
    ("values", "limit", "word"),
    [
        ([-0.5], AcceptLimit("zero_nm", 0.02), REJECT),
        ([-0.5], AcceptLimit("zero_nm", 0.02, signed=True), ACCEPT),
        ([-0.5], AcceptLimit("zero_nm", -0.4, "min", signed=True), REJECT),
        ([0.010, -0.010], AcceptLimit("zero_nm", 0.02), ACCEPT),
        ([0.090], AcceptLimit("friction_nm", 0.1, "min"), REJECT),
        ([0.110], AcceptLimit("friction_nm", 0.1, "min"), ACCEPT),
        ([0.100], AcceptLimit("friction_nm", 0.1, "min"), UNDECIDED),
        ([0.105], AcceptLimit("friction_nm", 0.1, "min", guard=0.01), UNDECIDED),
    ],
)
def test_a_limit_bounds_from_above_or_below_the_magnitude_or_the_signed_value(
    values: list[float], limit: AcceptLimit, word: str
) -> None:
    night = Night()
    for number in range(1, 21):
        one = figure(values[number % len(values)], limit.figure)
        night.add(cycle(number, one, limits=[limit]), [limit])
    found = night.verdict([limit], 20)
    assert found.word == word
    assert found.limits[0].direction == limit.bound
    assert found.rule == DECISION_RULE
    assert (found.word == UNDECIDED) == bool(found.would_decide)


def test_a_limit_for_one_sense_needs_its_share_of_the_cycles_that_turn_that_way() -> None:
    """Cycles alternate, so that ten planned ones are five of each sense, and four judged ones are 80 % of them."""
    limit = msgspec.structs.replace(LIMIT, turning=1)
    night = Night()
    for number in range(1, 9):
        night.add(cycle(number, figure(0.12 if number % 2 else None), limits=[limit]), [limit])
    found = night.verdict([limit], 10)
    assert found.word == ACCEPT
    assert found.limits[0].condition == "turning in the positive sense"


def test_the_state_survives_its_encoding() -> None:
    night = night_of("aarrruunna" * 20)
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(night), type=Night) == night
