"""A night in one word, and the half width of an interval."""

import msgspec
import pytest
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.intervals import half_width
from nightturn.estimation.night_verdict import night_verdict
from nightturn.model.figures import CycleRecord, Figure

BENCH = Bench(rate_hz=250, pole_pairs=7, slots=12, cogging={12: 0.01, 84: 0.02}, ripple={7: 0.006})
WORDS = {"a": "accept", "r": "reject", "u": "undecided", "n": "not judged"}


@pytest.fixture(scope="module")
def one() -> CycleRecord:
    return finish_cycle(cycles_of(record(BENCH))[0], BENCH.conditions(), 0, 0, 0, 0)


def night(one: CycleRecord, story: str) -> tuple[str, str]:
    """A letter a cycle; `-` is an incomplete one."""
    cycles = [
        msgspec.structs.replace(
            one,
            cycle_no=number,
            status="incomplete" if letter == "-" else "ok",
            verdict=WORDS.get(letter, "accept"),
            verdict_reasons=(f"friction_nm: cycle {number}",),
        )
        for number, letter in enumerate(story, 1)
    ]
    return night_verdict(cycles)


@pytest.mark.parametrize(
    ("story", "word"),
    [
        ("", "undecided"),
        ("aaaa", "undecided"),
        ("aaaaa", "accept"),
        ("rrrrraaaaa", "accept"),
        ("aaaaarrr", "reject"),
        ("aaaaarra", "undecided"),
        ("aaararar", "reject"),
        ("aaaau", "undecided"),
        ("uuuuuaaaaa", "accept"),
        ("aaaaaaaann", "accept"),
        ("aaaaaaannn", "undecided"),
        ("a" * 60 + "n" * 12, "undecided"),
        ("rrrrr" + "n" * 12, "reject"),
        ("aaaa-----", "undecided"),
        ("aaaaa--", "accept"),
        ("a" * 60 + "-" * 12, "undecided"),
    ],
)
def test_a_night_is_what_its_last_judged_cycles_say(one: CycleRecord, story: str, word: str) -> None:
    assert night(one, story)[0] == word


@pytest.mark.parametrize(
    ("story", "why"),
    [
        ("aaaa-", "only 4 of 5 cycles could be judged; 5 are needed"),
        ("aaaaaaannn", "only 7 of 10 complete cycles could be judged"),
        ("aaaaa", "the last 5 judged cycles accept"),
        ("aaaaarrr", "friction_nm: cycle 8"),
        ("aaauaa", "friction_nm: cycle 4"),
        ("a" * 60 + "-" * 12, "none of the last 12 cycles could be judged"),
    ],
)
def test_a_night_says_why(one: CycleRecord, story: str, why: str) -> None:
    assert night(one, story)[1] == why


def test_half_a_width_is_u_times_students_factor() -> None:
    # Student's t, 95 % two-sided, any printed table: 3.182 with 3 degrees of freedom
    assert half_width(Figure("friction_nm", 0.1, u=0.001, nu=3.0)) == pytest.approx(0.003182, abs=1e-6)


@pytest.mark.parametrize(("u", "nu"), [(None, None), (0.001, None), (None, 3.0)])
def test_without_u_or_its_degrees_of_freedom_there_is_no_width(u: float | None, nu: float | None) -> None:
    assert half_width(Figure("friction_nm", 0.1, u=u, nu=nu)) is None
