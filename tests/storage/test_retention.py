"""What goes: by age and bytes, the oldest first; never a kept run, one that is not over, nor by a clock that jumped."""

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from nightturn.settings.retained import Keep, KeepTape, Retention
from nightturn.storage.holdings import Holding, Holdings
from nightturn.storage.marks import KINDS, Kind
from nightturn.storage.retention import CLOCK_STEP_MAX_NS, DAY_NS, GB, Going, Step, going, steps_not_believed

NOW = 1_000 * DAY_NS
NIGHTLY = tuple(range(NOW - 400 * DAY_NS, NOW, DAY_NS))  # something was recorded every day


def held(
    number: int,
    days_old: float,
    gb: float = 1.0,
    *,
    kind: Kind = "tape",
    fixture: str = "pan-a1",
    run: str = "",
) -> Holding:
    since = NOW - int(days_old * DAY_NS)
    size = round(gb * GB)
    return Holding(kind, fixture, run or f"run-{number}", number, since, size, (f"{kind}/{number}",))


def found(*each: Holding, spared: tuple[str, ...] = (), evidence: tuple[int, ...] = NIGHTLY) -> Holdings:
    return Holdings(each, frozenset(("pan-a1", run) for run in spared), evidence)


def numbers(gone: list[Going], kind: Kind = "tape") -> list[int]:
    return [each.holding.record_first for each in gone if each.holding.kind == kind]


def test_seven_days_and_forty_gigabytes_of_tape_are_the_defaults_and_nothing_else_goes() -> None:
    tapes = [held(1, 7.1, 1), held(2, 6.9, 39), held(3, 5.0, 2), held(4, 0.0, 0.1)]
    others = [held(9, 399, 900, kind="raw"), held(9, 399, 900, kind="figures"), held(10, 1, kind="raw")]
    gone, steps = going(found(*tapes, *others), Retention(), NOW)

    assert [(each.holding.record_first, each.why) for each in gone] == [
        (1, "older than 7 days"),
        (2, "tape takes 41.1 GB of 40 GB"),
    ]
    assert steps == []


def test_a_spared_run_and_the_newest_of_a_fixture_stay_whatever_they_take() -> None:
    rule = Retention(tape=KeepTape(days=4, gb=0.001))
    gone, _ = going(
        found(
            held(1, 90, run="kept"), held(2, 80), held(3, 70), held(1, 99, fixture="pan-b1"), spared=("kept",)
        ),
        rule,
        NOW,
    )
    assert numbers(gone) == [2]


def test_figures_go_only_when_the_raw_samples_of_their_run_have_gone_or_go() -> None:
    held_all = [
        each
        for number, age in ((1, 30), (2, 20), (3, 1))
        for each in (held(number, age, kind="raw"), held(number, age, kind="figures"))
    ]
    only_figures = Retention(figures=Keep(days=10))
    assert going(found(*held_all), only_figures, NOW)[0] == []
    both = Retention(raw=Keep(days=25), figures=Keep(days=10))
    gone, _ = going(found(*held_all), both, NOW)
    assert (numbers(gone, "raw"), numbers(gone, "figures")) == ([1], [1])
    without_raw = [each for each in held_all if each.kind == "figures"]
    assert numbers(going(found(*without_raw), only_figures, NOW)[0], "figures") == [1, 2]


def test_a_start_ten_days_ahead_deletes_nothing_until_a_person_says_that_the_clock_is_right() -> None:
    nights = [held(number, 20 - number) for number in range(1, 8)]  # the newest is 13 days old
    seen = tuple(each.since_utc_ns for each in nights)
    ahead = found(*nights, evidence=seen)
    gone, steps = going(ahead, Retention(), NOW)
    assert (gone, len(steps)) == ([], 1)
    recorded_under_it = found(*nights, held(9, 0.0), evidence=(*seen, NOW - 5, NOW - 1))
    assert going(recorded_under_it, Retention(), NOW)[0] == []
    gone, steps = going(recorded_under_it, Retention(), NOW, clock_right_utc_ns=NOW)
    assert (numbers(gone), steps) == ([1, 2, 3, 4, 5, 6, 7], [])


def test_a_vouched_clock_is_believed_for_the_time_before_only() -> None:
    nights = [held(1, 30), held(2, 12), held(3, 0.0)]
    seen = tuple(NOW - days * DAY_NS for days in (30, 12))
    right_then = NOW - 12 * DAY_NS
    gone, steps = going(found(*nights, evidence=seen), Retention(), NOW, clock_right_utc_ns=right_then)
    assert numbers(gone) == [1]
    assert [(step.start, step.stop) for step in steps] == [(right_then, NOW)]


def test_a_clock_that_was_vouched_for_while_it_was_ahead_is_not_believed_once_it_is_right() -> None:
    year_ahead = NOW + 365 * DAY_NS
    assert steps_not_believed([NOW - 30 * DAY_NS], NOW, year_ahead) == [Step(NOW - 30 * DAY_NS, NOW)]
    assert steps_not_believed([NOW - 30 * DAY_NS], NOW, NOW) == []


def test_a_run_recorded_under_a_clock_put_back_is_not_the_oldest() -> None:
    tapes = [held(1, 3, 30), held(2, 900, 30), held(3, 1, 1)]  # the second began in a wrong year
    gone, _ = going(found(*tapes), Retention(), NOW)
    assert numbers(gone) == [1]


ENTRIES = st.lists(
    st.tuples(
        st.sampled_from(KINDS), st.sampled_from(["pan-a1", "pan-b1"]), st.floats(0, 60), st.integers(0, 9)
    ),
    max_size=25,
)
BOUND = st.one_of(st.just("ever"), st.integers(4, 40))


@given(ENTRIES, st.sets(st.integers(0, 24)), st.tuples(BOUND, BOUND, BOUND), st.tuples(BOUND, BOUND, BOUND))
def test_what_goes_was_due_is_the_oldest_and_no_more_than_was_asked(
    entries: list[tuple[Kind, str, float, int]],
    kept: set[int],
    days: tuple[float, float, float],
    gb: tuple[float, float, float],
) -> None:
    ordered = sorted(entries, key=lambda each: -each[2])
    all_held = [
        held(number, age, size, kind=kind, fixture=fixture)
        for number, (kind, fixture, age, size) in enumerate(ordered)
    ]
    spared = frozenset((each.fixture, each.run) for each in all_held if each.record_first in kept)
    (tape, raw, figures) = (
        msgspec.convert({"days": d, "gb": g}, Keep) for d, g in zip(days, gb, strict=True)
    )
    rule = Retention(tape=KeepTape(days=tape.days, gb=tape.gb), raw=raw, figures=figures)
    gone, _ = going(Holdings(tuple(all_held), spared, NIGHTLY), rule, NOW)
    going_now = [each.holding for each in gone]

    assert len(going_now) == len(set(going_now))
    assert set(going_now) <= set(all_held)
    for kind in KINDS:
        mine = [each for each in all_held if each.kind == kind]
        out = [each for each in going_now if each.kind == kind]
        newest = {
            max((e for e in mine if e.fixture == f), key=lambda e: e.record_first)
            for f in {e.fixture for e in mine}
        }
        assert not [each for each in out if (each.fixture, each.run) in spared or each in newest]
        may_go = [each for each in mine if (each.fixture, each.run) not in spared and each not in newest]
        bound = rule.of(kind)
        young = [e for e in out if bound.days == "ever" or NOW - e.since_utc_ns <= bound.days * DAY_NS]
        if young:  # gone for bytes alone: every one of them was needed
            assert bound.gb != "ever"
            rest = sum(each.bytes for each in mine) - sum(each.bytes for each in out)
            assert rest + young[-1].bytes > bound.gb * GB
        assert out == may_go[: len(out)]  # the oldest first
        for each in may_go[len(out) :]:
            assert bound.days == "ever" or NOW - each.since_utc_ns <= bound.days * DAY_NS
        if may_go[len(out) :] and bound.gb != "ever":
            assert sum(e.bytes for e in mine) - sum(e.bytes for e in out) <= bound.gb * GB


@given(st.lists(st.floats(0, 100), min_size=1, max_size=20), st.integers(4, 400))
def test_no_jump_of_the_clock_alone_makes_anything_due(ages: list[float], jump_days: int) -> None:
    """What goes at a start whose clock is ahead would have gone by the right clock as well."""
    tapes = [held(number, age) for number, age in enumerate(sorted(ages, reverse=True))]
    seen = (*NIGHTLY, *(each.since_utc_ns for each in tapes))
    rule = Retention(tape=KeepTape(days=7, gb="ever"))
    before, _ = going(found(*tapes, evidence=seen), rule, NOW)
    after, steps = going(found(*tapes, evidence=seen), rule, NOW + jump_days * DAY_NS)
    assert numbers(after) == numbers(before)[: len(after)]
    assert [step.stop - step.start > CLOCK_STEP_MAX_NS for step in steps] == [True]
