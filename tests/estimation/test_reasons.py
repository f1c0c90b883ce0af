"""Sentences of refusals in full, where no other test reads them."""

from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.asynchronous import Line
from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import Seen, judge
from nightturn.estimation.draft import Draft
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.folds import MAX_REVOLUTIONS, MAX_SAMPLES_PER_BIN, N
from nightturn.estimation.night_verdict import ANOTHER_RUN, MORE_MAX, Night
from nightturn.estimation.remarks import note_asynchronous, note_rails, note_travel
from nightturn.model.figures import CycleRecord, Figure
from nightturn.replay.smoothness import NO_HOLD, NOTHING_FOUND

BENCH = Bench(rate_hz=600, noise_nm=0.004)
FRICTION = Figure("friction_nm", 0.1495, u=0.001, nu=3.0, n=6)
LIMIT = AcceptLimit("friction_nm", 0.150)


def reason(limit: AcceptLimit, figure: Figure = FRICTION, **parts: Any) -> str:
    """The sentence on one limit, and that it keeps the verdict open."""
    made: dict[str, Any] = {
        "speeds_rpm": {"friction_nm": 3.0},
        "turning": {"friction_nm": 1},
        "torque_nm": 5.0,
    }
    seen = Seen(**{**made, "temperatures_degc": {"housing": 31.26}, **parts})
    word, reasons, _ = judge([figure], [limit], seen)
    assert word in {"not judged", "undecided"}
    return reasons[0]


@pytest.mark.parametrize(
    ("limit", "parts", "text"),
    [
        ({"at_rpm": 6.0}, {}, "not judged: the limit applies at 6 rpm, the speed was 3 rpm"),
        (
            {"at_rpm": 6.0},
            {"speeds_rpm": {}},
            "not judged: the limit applies at 6 rpm, the speed was not known",
        ),
        (
            {"at_torque_nm": -5.0},
            {},
            "not judged: the limit applies at −5 N·m, the torque was 5 N·m",
        ),
        (
            {"at_torque_nm": 5.0},
            {"torque_nm": None},
            "not judged: the limit applies at 5 N·m, the torque was not known",
        ),
        (
            {"turning": -1},
            {},
            "not judged: the limit applies to the negative sense, the pass turned in the positive one",
        ),
        (
            {"turning": 1},
            {"turning": {}},
            "not judged: the limit applies to the positive sense, no pass was seen",
        ),
        (
            {"temp_degc": (18.0, 30.0)},
            {"temperatures_degc": {}},
            "not judged: the limit applies from 18 to 30 °C, no temperature was measured",
        ),
        (
            {"temp_degc": (18.0, 30.0)},
            {},
            "not judged: the limit applies from 18 to 30 °C, the housing was at 31.3 °C",
        ),
    ],
)
def test_a_condition_that_does_not_hold_says_what_was_and_what_should_be(
    limit: dict[str, Any], parts: dict[str, Any], text: str
) -> None:
    assert reason(AcceptLimit("friction_nm", 0.150, **limit), **parts) == f"friction_nm: {text}"


def test_a_figure_that_is_not_ok_keeps_its_own_reasons_and_one_without_u_says_so() -> None:
    doubted = msgspec.structs.replace(FRICTION, status="not judged", reasons=("One.", "Two."))
    assert reason(LIMIT, doubted) == "friction_nm: not judged: One.; Two."
    assert reason(LIMIT, msgspec.structs.replace(FRICTION, value=None)) == "friction_nm: not judged: no value"
    without = msgspec.structs.replace(FRICTION, u=None)
    assert reason(LIMIT, without) == "friction_nm: not judged: the figure has no uncertainty"


def test_an_open_limit_says_that_neither_is_proven_and_how_likely_it_is_kept() -> None:
    """Student's t with 3 degrees of freedom is below 0.5 with 0.674 (own arithmetic: 1/2 + (x + sin x cos x)/π, tan x = 0.5/√3)."""
    angle = np.arctan(0.5 / 3**0.5)
    within = 0.5 + (angle + np.sin(angle) * np.cos(angle)) / np.pi
    assert reason(LIMIT) == (
        "friction_nm: between acceptance line and limit, the result proves neither: 149.5 ± 3.2 mN·m (repeatability), "
        f"limit 150 mN·m, P(within) {within:.3f}"
    )


# ---- the night ---------------------------------------------------------------------------------------------------------
def night(value: float, u: float, common: float, cycles: int = 4) -> tuple[str, ...]:
    """What would decide a night of cycles that all read alike."""
    found = Night()
    for number in range(1, cycles + 1):
        figure = Figure(
            "friction_nm",
            value + 1e-7 * number,
            u=np.hypot(u, common),
            nu=8.0,
            u_rep=u,
            nu_rep=8.0,
            u_common=common,
        )
        record_ = CycleRecord(
            "", 0, number, "ok", 1, 0, 0, 0, 0, 0, 0, 3.0, 0.0, 1.0, "", "", "", "", (figure,)
        )
        found.add(msgspec.structs.replace(record_, limit_words=("undecided",)), [LIMIT])
    verdict = found.verdict([LIMIT], cycles)
    assert verdict.word == "undecided"
    assert "the calibration record carries no certificate data: ± is repeatability only" in verdict.reasons
    return verdict.would_decide


def test_an_open_night_says_whether_cycles_or_a_certificate_would_decide() -> None:
    assert night(0.1499, 0.001, 0.001) == (
        (
            "friction_nm: no number of cycles, it is nearer to its limit than the calibration is certain; a certificate with a "
            "smaller uncertainty would"
        ),
    )
    assert night(0.150 - 1e-6, 0.001, 0.0) == (
        f"friction_nm: hardly, it is on its limit; more than {MORE_MAX} cycles would be needed",
    )
    assert Night().verdict([LIMIT], 4).would_decide == ("a cycle that can be judged",)


# ---- the passes --------------------------------------------------------------------------------------------------------
def test_sums_at_their_own_limit_and_a_signal_that_jumps_are_said() -> None:
    leg = cycles_of(record(BENCH))[0].legs[0]
    draft = Draft(0.1)
    note_rails(draft, (leg,))
    assert (draft.reasons, draft.status) == ((), "ok")
    leg.jumps, leg.beyond = 3, 1
    note_rails(draft, (leg,))
    assert draft.reasons == (
        "The torque signal jumped 3 times.",
        f"Only the first {MAX_REVOLUTIONS} revolutions of a pass were used.",
    )
    assert draft.status == "ok"
    leg.sums[0, N, 17] = MAX_SAMPLES_PER_BIN + 1
    note_rails(draft, (leg,))
    assert draft.reasons[-1] == f"More than {MAX_SAMPLES_PER_BIN} samples are in one angle bin; turn faster."
    assert draft.status == "not judged"


def test_a_turn_that_was_not_covered_has_a_peak_to_peak_over_a_part_only() -> None:
    leg = cycles_of(record(BENCH))[0].legs[0]
    leg.sums[:, :, 1000:1114] = 0
    draft = Draft(0.1)
    note_travel(draft, (leg,), np.array([1]))
    assert draft.reasons == ("Peak-to-peak over 350 degrees: the rest was not covered.",)
    assert draft.status == "incomplete"


def test_turns_with_too_few_samples_say_that_they_are_no_whole_ones() -> None:
    """Every second twentieth of a turn lost: 0.5 of the bins of each turn are left."""
    sums = cycles_of(record(replace(BENCH, strokes=0)))[0]
    for leg in sums.legs:
        for start in range(0, 4096, 410):
            leg.sums[:, :, start : start + 205] = 0
    found = finish_cycle(sums, BENCH.conditions(), 0, 0, 0, 0)
    for name in ("ripple_pp_nm", "cogging_pp_nm"):
        figure = found.figure(name)
        assert (figure.value, figure.status) == (None, "incomplete")
        assert figure.reasons[-1].startswith("Turned ")
        assert figure.reasons[-1].endswith(" revolutions, but too many samples are missing for a whole one.")


def test_a_line_that_may_be_the_rotors_is_a_line_of_the_budget_or_forbids_the_verdict() -> None:
    none, empty = np.zeros(0, np.int64), np.zeros(0)
    small, large = (Line(24.0, 24, size, 2, none, empty, settled=False) for size in (0.0001, 0.01))
    draft = Draft(0.1, 0.001, 4.0)
    note_asynchronous(draft, (small,))
    (line,) = draft.lines
    assert (draft.status, line.name) == ("ok", "asynchronous order")
    assert line.source == "an order beside 24 that does not repeat"
    assert line.u == pytest.approx(
        2 * 0.0001 / 3**0.5
    )  # of a rectangle as wide as the peak to peak of the line
    note_asynchronous(draft, (large,))
    assert draft.status == "not judged"
    assert " ".join(draft.reasons) == (
        "Torque at order 24 changes from turn to turn, and 2 turns a pass cannot tell whether up to 10 mN·m peak of it are the "
        "rotor's. Turn more revolutions."
    )


def test_a_friction_that_no_bearing_has_is_a_finding_and_no_blemish() -> None:
    bench = replace(BENCH, friction_nm=0.0012, hold_nm=0.0)
    low = finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0).figure("friction_nm")
    assert low.status == "ok"
    assert low.reasons == (
        "Friction is 0.008 % of the rated torque, less than bearings have: check coupling, unit and factor of the torque channel.",
    )
    bench = replace(bench, friction_nm=0.0017)
    assert (
        finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0)
        .figure("friction_nm")
        .reasons
        == ()
    )


def test_one_sense_alone_says_what_is_missing() -> None:
    sums = cycles_of(record(BENCH))[0]
    sums.legs = sums.legs[:1]
    for name in ("cogging_pp_nm", "friction_nm", "zero_nm"):
        figure = finish_cycle(sums, BENCH.conditions(), 0, 0, 0, 0).figure(name)
        assert (figure.value, figure.status) == (None, "incomplete")
        assert (
            "No slow passes in both directions; friction cannot be separated from the zero." in figure.reasons
        )


def test_less_than_a_turn_says_which_orders_cannot_be_told_from_drift() -> None:
    bench = replace(BENCH, slow_turns=0.5, hold_turns=0.5)
    figure = finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0).figure("cogging_pp_nm")
    assert (figure.value, figure.status) == (None, "incomplete")
    turned, rest = figure.reasons[0].split(" of a revolution; ")
    assert 0.5 <= float(turned.removeprefix("Turned ")) < 0.6
    assert rest == "orders below 2 cannot be separated from drift."


def test_hum_beside_the_orders_is_named_and_not_in_the_value() -> None:
    none, empty = np.zeros(0, np.int64), np.zeros(0)
    draft = Draft(0.1, 0.001, 4.0)
    note_asynchronous(draft, (Line(288.46, 288, 0.01, 3, none, empty, settled=True, of_mains=True),))
    assert draft.reasons == ("Mains hum at order 288.46 (10 mN·m peak) is not in the value.",)
    assert draft.status == "ok"


def test_the_long_sentences_that_other_tests_know_by_name() -> None:
    assert ANOTHER_RUN == (
        "another run: cycles are missing from the count of this one, so it cannot be accepted"
    )
    assert NO_HOLD == (
        "no hold was found: no pass lies 5 % of the rated torque and three times the friction away from the zero; give plan if a "
        "torque was held"
    )
    assert NOTHING_FOUND == (
        "no pass turns for a sixteenth of a revolution at a commanded speed; give whole passes of a cycle, or their speeds as plan"
    )
