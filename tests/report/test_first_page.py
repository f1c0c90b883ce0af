"""The first page as whole sentences; and no figure, limit or status by which a unit that does not pass would read as passing."""

import dataclasses
from collections.abc import Sequence
from datetime import timedelta

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import judge_one
from nightturn.estimation.night_verdict import Night
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import BUDGET, BudgetLine, Figure
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.verdicts import ACCEPT, DECISION_RULE, MAX, MIN, REJECT, UNDECIDED
from nightturn.report.first_page import FirstPage, first_page
from nightturn.report.night import ReportNight
from nightturn.report.reference import Reference
from nightturn.sentences.morning import Severity
from nightturn.sentences.purpose import purpose_sentence
from nightturn.storage.standing import Standing


def page(
    one: ReportNight, verdict: NightVerdict | None, state: Standing = "ended", motion: str = ""
) -> FirstPage:
    """The first page as if that had been the verdict of the run, which has ended unless it is said otherwise."""
    summary = dataclasses.replace(one.summary, night_verdict=verdict, state=state, motion=motion)
    manifest = msgspec.structs.replace(one.manifest, state="ended" if state == "ended" else "running")
    return first_page(dataclasses.replace(one, summary=summary, manifest=manifest), (), Reference({}))


def texts(found: FirstPage) -> list[str]:
    """The words of the verdict, of what happened, and of what to do."""
    return [found.sentence, *found.happened, *(f"{each.what} {each.why}" for each in found.to_do)]


FRICTION = LimitVerdict("friction_nm", MAX, "at 5 rpm", 0.0886, 0.0001, 100.0, 0.15, ACCEPT, 150, kind=BUDGET)
LOOK = "Look at the line, the disk and the host of this fixture. Samples were lost on the line, while the device or the host started again."
WARM = "Whether it changes is not judged yet: too few cycles of a warm unit."


@pytest.mark.parametrize(
    ("verdict", "severity", "said"),
    [
        (
            NightVerdict(ACCEPT, (), (FRICTION,), rule=DECISION_RULE),
            "today",  # a part of the samples is missing
            ["Q-0117 passes: every figure is inside its limit.", WARM, LOOK],
        ),
        (
            NightVerdict(
                REJECT,
                (),
                (LimitVerdict("friction_nm", MAX, "", 0.1701, 0.0001, 100.0, 0.15, REJECT, 150),),
            ),
            "act now",
            [
                "Q-0117 does not pass: friction is 170.10 ± 0.20 mN·m (repeatability), 150 mN·m is allowed.",
                WARM,
                "Do not release Q-0117. Its friction is beyond what the variant allows.",
                LOOK,
            ],
        ),
        (
            NightVerdict(
                UNDECIDED,
                (),
                (LimitVerdict("friction_nm", MAX, "", 0.15, 0.001, 100.0, 0.15, UNDECIDED, 150),),
                would_decide=("friction_nm: 12 more judged cycles",),
            ),
            "today",
            [
                "Q-0117 is not decided: friction is 150.0 ± 2.0 mN·m (repeatability), too near to the limit to decide, 150 mN·m is allowed.",
                WARM,
                "Measure on, to decide. It would decide: friction: 12 more judged cycles.",
                LOOK,
            ],
        ),
        (
            NightVerdict(
                UNDECIDED,
                (),
                (LimitVerdict("friction_nm", MAX, "", None, None, None, 0.15, UNDECIDED, 0),),
            ),
            "today",
            [
                "Q-0117 cannot be judged: no cycle gave a friction that can be held against its limit.",
                WARM,
                LOOK,
            ],
        ),
        (
            None,
            "today",
            ["Q-0117 is not judged: nobody has worked out a verdict of this run.", WARM, LOOK],
        ),
    ],
    ids=["accept", "reject", "undecided", "nothing judged", "no verdict"],
)
def test_the_first_page_as_whole_sentences(
    one: ReportNight, verdict: NightVerdict | None, severity: str, said: list[str]
) -> None:
    found = page(one, verdict)
    assert found.severity.word == severity
    only = "" if verdict is None else f" {purpose_sentence(verdict)}"
    assert texts(found) == [said[0] + only, *said[1:]]
    assert found.about == (
        "Morning report. Unit Q-0117, variant pan15, on pan-a1. Run 20261125T210000Z-7f4f. Mounted by R. Vale. "
        "Times are by the clocks of UTC, with their offset from UTC."
    )
    rows = dict(found.counted)
    assert rows["time"] == (
        "4.8 min from 25 Nov 21:00 +00:00 to 25 Nov 21:04 +00:00: 2.1 min in cycles, 2.6 min outside them, 7 s without samples"
    )
    assert rows["cycles"].startswith("1 complete of 4 begun, 3 planned")
    assert rows["strokes"] == "2 of 6 planned"
    assert (
        rows["samples"]
        == "282645 recorded, 7252 lost: 5.9 s on the line, 1.35 s while the device or the host started again"
    )
    assert "25 Nov 21:00 +00:00 permitted by R. Vale" in rows["people and stops"]


STATES = st.sampled_from(["ended", "ended", "running", "interrupted"])
MOTIONS = st.sampled_from(["", "turning", "locked"])
STATUSES = st.sampled_from(["ok", "ok", "ok", "refused", "incomplete", "not judged"])
VALUES = st.floats(-0.3, 0.3) | st.sampled_from([0.15, 0.15 + 1e-12, 0.15 - 1e-12])
CYCLES = st.lists(st.tuples(VALUES, st.floats(1e-6, 0.05), st.integers(1, 200), STATUSES), max_size=30)
LIMITS = st.lists(
    st.builds(
        AcceptLimit,
        figure=st.sampled_from(["friction_nm", "zero_nm", "cogging_pp_nm"]),
        limit=st.sampled_from([0.05, 0.15, 0.2]),
        bound=st.sampled_from([MAX, MIN]),
        signed=st.booleans(),
    ),
    max_size=3,
    unique_by=lambda each: (each.figure, each.bound),
)


def figure(name: str, value: float, u: float, nu: int, status: str) -> Figure:
    line = BudgetLine("scatter", u, float(nu), common=False, source="turns")
    return Figure(name, value, u, float(nu), status=status, n=3, kind=BUDGET, budget=(line,))


def counted(limits: Sequence[AcceptLimit], cycles: Sequence[tuple[float, float, int, str]]) -> Night:
    found = Night()
    for number, cycle in enumerate(cycles, 1):
        figures = [figure(each.figure, *cycle) for each in limits]
        words = [judge_one(each, limit)[0] for each, limit in zip(figures, limits, strict=True)]
        found.count(number, words, figures, limits)
    return found


def wholly_inside(each: LimitVerdict) -> bool:
    """Whether the interval of the night keeps the limit, the sign left out where the magnitude counts."""
    if each.value is None or each.u is None or each.nu is None:
        return False
    half = coverage_factor(each.nu) * each.u
    value = each.value if "with its sign" in each.condition else abs(each.value)
    return (
        value + half <= each.limit * (1 + 1e-9)
        if each.direction == MAX
        else value - half >= each.limit * (1 - 1e-9)
    )


def test_a_unit_that_does_not_pass_never_gets_a_page_that_reads_as_passing(one: ReportNight) -> None:
    @given(limits=LIMITS, cycles=CYCLES, planned=st.integers(1, 30), state=STATES, motion=MOTIONS)
    def held(
        limits: list[AcceptLimit],
        cycles: list[tuple[float, float, int, str]],
        planned: int,
        state: Standing,
        motion: str,
    ) -> None:
        verdict = counted(limits, cycles).verdict(limits, planned)
        found = page(one, verdict, state, motion)
        said = " ".join(texts(found))
        passes = f"{one.unit} passes" in said or "every figure is inside" in said
        if state == "ended":
            assert passes == (verdict.word == ACCEPT)
        assert not passes or verdict.word == ACCEPT
        if verdict.word == REJECT:
            assert f"{one.unit} does not pass" in found.sentence
            assert "inside" not in found.sentence
            assert found.severity is Severity.ACT_NOW
        if "is inside its limits so far" in said:
            assert state == "running"
            assert all(each.cycles_judged and each.word != REJECT for each in verdict.limits)
        if "inside its limit" in said or "is inside its limits so far" in said:
            open_limits = [of_night for of_night in verdict.limits if of_night.word == UNDECIDED]
            assert any(map(wholly_inside, open_limits)) or not open_limits
        for row, of_night in zip(found.limits, verdict.limits, strict=True):
            if row[4].startswith("+") and row[4] != "+0.0 %":
                assert wholly_inside(of_night)
        assert (found.severity is Severity.ACT_NOW) == (verdict.word == REJECT)
        assert ("Do not release" in said) == (verdict.word == REJECT)
        good = [(value, u, nu) for value, u, nu, status in cycles if status == "ok"]
        if passes:  # by the cycles themselves, whatever the verdict is made of
            assert limits
            assert len(good) >= 0.8 * planned
            mean = sum(value for value, _, _ in good) / len(good)
            for each in limits:
                counts = (lambda value: value) if each.signed else abs
                assert counts(mean) <= each.limit if each.bound == MAX else counts(mean) >= each.limit
                beyond = [
                    counts(value) - coverage_factor(nu) * u > each.limit
                    if each.bound == MAX
                    else counts(value) + coverage_factor(nu) * u < each.limit
                    for value, u, nu in good
                ]
                assert not any(all(beyond[at : at + 3]) for at in range(len(beyond) - 2))
        assert [row[5] for row in found.limits] == [each.word for each in verdict.limits]
        assert "nan" not in said

    held()


def test_a_calibration_that_was_due_is_something_to_do_and_the_rig_rows_say_it(one: ReportNight) -> None:
    begun = one.summary.started_utc
    record = msgspec.structs.replace(one.settings.calibration, valid_until=begun + timedelta(days=12))
    dated = dataclasses.replace(one, settings=msgspec.structs.replace(one.settings, calibration=record))
    found = first_page(dated, (), Reference({}))
    due = f"valid until {(begun + timedelta(days=12)).date()}, due in 12 days"
    assert [each.why for each in found.to_do if each.what.startswith("Calibrate transducer")] == [
        f"When the run began: record {record.id}, {due}."
    ]
    assert dict(found.rig)["calibration"].endswith(due)
    never = dict(first_page(one, (), Reference({})).rig)
    assert never["calibration"].endswith("no end of its validity is on record")
    assert never["reference unit"] == "none was asked; --reference-unit SERIAL names one"
    asked = dict(first_page(one, (), Reference({}), "Q-9999").rig)
    assert asked["reference unit"] == "Q-9999 was never measured here"
    itself = dict(first_page(one, (), Reference({}), one.unit).rig)
    assert "not judged: limits need" in itself["reference unit"]
