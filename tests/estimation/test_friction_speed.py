"""Coulomb and viscous friction from the slow passes and the strokes, and why there is none where there is none."""

import re
from collections.abc import Sequence
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from tests.estimation.synthetic import Bench, Clean, clean, cycles_of, motion
from tests.estimation.test_friction import BENCH

from nightturn.estimation.assembly import STROKES_KEPT, CycleSums
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.folds import BINS, StrokeSums
from nightturn.estimation.intervals import half_width
from nightturn.model.figures import OK, REFUSED, CycleRecord, Figure

STROKED = replace(BENCH, strokes=8, stroke_deg=270.0, exercise_rpm=24.0)
NAMES = ("coulomb_nm", "viscous_nm_s_per_rad")
STRIBECK = "From two speeds: the Stribeck part is not identifiable, and the slowest speed used is 6 rpm."
TAU = 2 * np.pi


def turning(bench: Bench, viscous: float, *, held_nm: float = 0.0, warming_nm: float = 0.0) -> Clean:
    """A cycle with viscous friction; strokes under a held torque; friction that falls over the cycle."""
    source, speed = clean(bench), motion(bench)[1]
    stroke = np.abs(speed) > 1.2 * bench.slow_rpm / 60 * TAU
    share = np.linspace(0.0, 1.0, len(speed))
    torque = source.torque_nm - viscous * speed + held_nm * stroke + np.sign(speed) * warming_nm * share
    return Clean(bench, source.encoder, torque)


def sums_of(source: Clean, seed: int = 1) -> CycleSums:
    (sums,) = cycles_of(source.recorded(seed))
    return sums


def finished(sums: CycleSums, bench: Bench = STROKED) -> CycleRecord:
    return finish_cycle(sums, bench.conditions(), 0, 0, 0, 0)


def pair(record: CycleRecord) -> tuple[Figure, Figure]:
    return record.figure(NAMES[0]), record.figure(NAMES[1])


def refused(record: CycleRecord, *sentences: str) -> None:
    for figure in pair(record):
        assert figure.value is None
        assert figure.u is None
        assert figure.status == REFUSED
        assert figure.reasons == sentences


def strokes(sums: CycleSums, some: Sequence[StrokeSums]) -> CycleSums:
    return msgspec.structs.replace(sums, stroke_sums=tuple(some))


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("viscous", [0.02, 0.1])
def test_the_line_through_two_speeds_has_the_true_slope_and_level(viscous: float, sense: int) -> None:
    bench = replace(STROKED, sense=sense, friction_orders={1: 0.02})
    record = finished(sums_of(turning(bench, viscous)), bench)
    for figure, true in zip(pair(record), (bench.friction_nm, viscous), strict=True):
        wide = half_width(figure)
        assert figure.value is not None
        assert wide is not None
        assert abs(figure.value - true) <= 1.5 * wide
        assert wide < 0.12 * true
        assert figure.status == OK
        assert figure.reasons == (STRIBECK,)
    assert record.figure("friction_nm").value == pytest.approx(bench.friction_nm + viscous * 0.6283, rel=2e-3)


# Two speeds of 1 and 5 rad/s with 0.12 N·m and 0.003 N·m·s/rad: a line by hand.
def test_a_known_line_comes_back_exactly_from_two_known_speeds() -> None:
    bench = replace(
        STROKED,
        friction_nm=0.12,
        noise_nm=1e-5,
        slow_rpm=60 / TAU,
        exercise_rpm=300 / TAU,
        slow_turns=3.0,
        stroke_deg=720.0,
        ramp_rad_per_s2=8.0,
        run_up_deg=40.0,
        rate_hz=1000,
    )
    coulomb, viscous = pair(finished(sums_of(turning(bench, 0.003)), bench))
    assert coulomb.value == pytest.approx(0.12, rel=1e-3)
    assert viscous.value is None  # 0.003·5 is an eighth of 0.12
    assert re.fullmatch(
        r"At the fastest speed of 47\.7 rpm the viscous part is 15 mN·m, too little beside a Coulomb part of 120 mN·m\. "
        r"Exercise at 11[45] rpm or more\.",  # 0.3·0.12/0.003 = 12 rad/s
        viscous.reasons[0],
    )
    assert viscous.status == REFUSED


def test_a_zero_that_drifts_and_friction_that_falls_with_time_do_not_move_the_line() -> None:
    drifting = replace(STROKED, drift_nm_per_s=2e-4)
    for bench, warming_nm in ((drifting, 0.0), (STROKED, 0.004)):
        source = turning(bench, 0.04, warming_nm=warming_nm)
        viscous = pair(finished(sums_of(source)))[1]
        wide = half_width(viscous)
        assert wide is not None
        assert viscous.value == pytest.approx(0.04, abs=1.5 * wide)


def test_intervals_hold_the_truth_and_are_no_wider_than_they_must() -> None:
    source = turning(STROKED, 0.03)
    errors, widths = [], []
    for seed in range(30):
        viscous = pair(finished(sums_of(source, seed)))[1]
        wide = half_width(viscous)
        assert viscous.value is not None
        assert wide is not None
        errors.append(viscous.value - 0.03)
        widths.append(wide)
    hits = int((np.abs(errors) <= widths).sum())
    assert hits >= 23  # of .90 the binomial distribution has 23 or more in 99.3 % of such tests
    assert np.median(widths) < 4.5 * np.std(errors)


def test_without_strokes_one_speed_is_all_there_is() -> None:
    sums = sums_of(clean(BENCH))
    refused(
        finished(sums), "The plan has no strokes, and one speed cannot tell Coulomb from viscous friction."
    )


def test_few_strokes_or_cut_ones_say_so() -> None:
    sums = sums_of(turning(STROKED, 0.02))
    few = strokes(sums, sums.stroke_sums[:4])
    refused(
        finished(few),
        "4 strokes do not show whether friction drifted since the slow passes; plan 6 or more.",
    )
    cut = [msgspec.structs.replace(each, n=each.n // 2) for each in sums.stroke_sums]
    refused(
        finished(strokes(sums, cut)),
        "The strokes were not seen whole, so that nothing says over which angles their means are.",
    )


def test_strokes_of_one_direction_cannot_tell_friction_from_a_zero() -> None:
    sums = sums_of(turning(STROKED, 0.02))
    same = [msgspec.structs.replace(each, direction=1) for each in sums.stroke_sums]
    refused(
        finished(strokes(sums, same)),
        "The strokes do not go both ways alike; friction cannot be distinguished from a zero that drifts.",
    )


def test_strokes_over_angles_that_the_slow_passes_missed_say_so() -> None:
    sums = sums_of(turning(STROKED, 0.02))
    first = sums.stroke_sums[0]
    middle = (first.encoder_first + first.encoder_last) // 2 * BINS // BENCH.counts_per_rev % BINS
    for leg in sums.legs:
        if leg.direction < 0:
            leg.sums[:, :, middle : middle + 30] = 0
    refused(finished(sums), "The strokes cover angles that the slow passes did not see in both directions.")


def test_speeds_that_hardly_differ_say_which_would_do() -> None:
    bench = replace(STROKED, exercise_rpm=10.0)
    refused(
        finished(sums_of(turning(bench, 0.02)), bench),
        "6 rpm and 10 rpm are too near to each other to tell Coulomb from viscous friction; exercise at 2 times the speed of the "
        "slow passes or more.",
    )


def test_strokes_under_torque_are_no_friction() -> None:
    record = finished(sums_of(turning(STROKED, 0.02, held_nm=0.5)))
    coulomb, _ = pair(record)
    assert coulomb.status == REFUSED
    assert coulomb.reasons[0].startswith(
        "The strokes differ from the slow passes by 500 mN·m in both directions and "
    )
    assert coulomb.reasons[0].endswith(" against the turning: a torque was held, which is no friction.")


def test_friction_that_falls_with_speed_is_no_line() -> None:
    coulomb, viscous = pair(finished(sums_of(turning(STROKED, -0.01))))
    assert coulomb.reasons == viscous.reasons
    assert coulomb.value is None
    assert coulomb.status == viscous.status == REFUSED
    assert re.fullmatch(
        r"Friction falls by (18|19|20) mN·m between 6 rpm and 24 rpm: a Stribeck curve, not Coulomb and viscous friction\.",
        coulomb.reasons[0],
    )
    assert coulomb.reasons[1] == STRIBECK


def test_the_sums_keep_the_first_strokes_and_their_digest_knows_them() -> None:
    bench = replace(
        BENCH,
        rate_hz=200,
        slow_rpm=30.0,
        hold_rpm=30.0,
        exercise_rpm=60.0,
        ramp_rad_per_s2=30.0,
        run_up_deg=20.0,
        strokes=STROKES_KEPT + 2,
        dwell_s=0.2,
        slow_turns=1.0,
        hold_turns=1.0,
        stroke_deg=270.0,
    )
    sums = sums_of(clean(bench))
    assert len(sums.stroke_sums) == STROKES_KEPT
    assert sums.strokes == STROKES_KEPT + 2
    assert [each.stroke_no for each in sums.stroke_sums] == list(range(1, STROKES_KEPT + 1))
    other = [*sums.stroke_sums[:-1], msgspec.structs.replace(sums.stroke_sums[-1], raw_sum=0)]
    assert strokes(sums, other).sha256() != sums.sha256()
