"""Breakaway: its height from starts that are slow enough, and what each cycle lacks that has none."""

import re
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest
from tests.estimation.synthetic import TAU, Bench, Clean, clean, cycles_of, motion
from tests.estimation.test_friction import BENCH

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.intervals import half_width
from nightturn.model.figures import OK, REFUSED, Figure

SLOW = replace(BENCH, strokes=8, exercise_rpm=0.2, stroke_deg=8.0)
STATIC_NM = 0.150
LENGTH_DEG = 0.25
ADVICE = "Plan 6 strokes or more of 10° with rest = true, at 0.238 rpm or less."


def starting(bench: Bench = SLOW, static_nm: float = STATIC_NM, length_deg: float = LENGTH_DEG) -> Clean:
    """Strokes whose friction nears its static height from that of the stroke before, as a bristle does (Dahl)."""
    source, speed = clean(bench), motion(bench)[1]
    torque = source.torque_nm.copy()
    slow = np.abs(speed) < 1.01 * bench.exercise_rpm / 60 * TAU
    moving = np.flatnonzero((speed != 0) & slow)
    for run in np.split(moving, np.flatnonzero(np.diff(moving) > 1) + 1):
        if len(run) < bench.rate_hz:  # the ramp of a faster pass
            continue
        travel = np.degrees(np.abs(np.cumsum(speed[run])) / bench.rate_hz)
        way = np.sign(speed[run[0]])
        torque[run] -= way * (static_nm * (1 - 2 * np.exp(-travel / length_deg)) - bench.friction_nm)
    return Clean(bench, source.encoder, torque)


def sums_of(source: Clean, seed: int = 1) -> CycleSums:
    (sums,) = cycles_of(source.recorded(seed))
    return sums


def breakaway(sums: CycleSums, bench: Bench = SLOW, **changes: Any) -> Figure:
    return finish_cycle(sums, bench.conditions(**changes), 0, 0, 0, 0).figure("breakaway_nm")


def refused(figure: Figure, reason: str) -> None:
    assert figure.value is None
    assert figure.status == REFUSED
    assert figure.reasons == (f"Breakaway not measurable in this cycle: {reason}. {ADVICE}",)


@pytest.mark.parametrize("changes", [{}, {"sense": -1}, {"zero_nm": 0.05}, {"noise_nm": 0.02}])
def test_it_is_the_static_height_less_zero_and_cogging(changes: dict[str, Any]) -> None:
    bench = replace(SLOW, **changes)
    figure = breakaway(sums_of(starting(bench)), bench)
    wide = half_width(figure)
    assert figure.value is not None
    assert wide is not None
    assert abs(figure.value - STATIC_NM) <= wide
    assert wide < 0.06 * STATIC_NM
    assert (figure.status, figure.n) == (OK, 8)
    assert re.fullmatch(
        r"Median of 8 starts, 1\.[12] to 1\.2 s at rest before, at up to 0\.2\d* rpm; the largest is 1\d\d\.?\d* mN·m\.",
        figure.reasons[0],
    )
    assert {line.name for line in figure.budget} >= {"repeatability", "zero"}


def test_the_largest_of_noisy_slots_does_not_raise_it() -> None:
    noisy = replace(SLOW, noise_nm=0.020)  # 9 mN·m a slot: the largest of 150 lies 23 mN·m high
    found = [breakaway(sums_of(starting(noisy), seed), noisy).value for seed in range(8)]
    assert np.mean([value for value in found if value is not None]) == pytest.approx(STATIC_NM, rel=0.02)


def test_slow_passes_alone_are_too_few_starts() -> None:
    refused(
        breakaway(sums_of(clean(BENCH)), BENCH),
        "3 starts of unpowered passes from rest, of 5 or more",
    )


def test_fast_starts_show_inertia_and_no_static_friction() -> None:
    bench = replace(BENCH, strokes=8, exercise_rpm=24.0, stroke_deg=270.0)
    refused(
        breakaway(sums_of(clean(bench)), bench),
        "only 0 of 11 starts turned slowly enough at their peak for static friction to show",
    )


def test_presliding_that_is_not_over_is_not_taken_for_the_peak() -> None:
    refused(
        breakaway(sums_of(starting(length_deg=1.5))),
        "only 3 of 11 starts were over their presliding within 3° and 3 s",
    )


def test_inertia_that_may_add_too_much_is_reckoned_with() -> None:
    figure = breakaway(sums_of(starting()), rated_torque_nm=20_000.0)
    assert figure.status == REFUSED
    assert re.fullmatch(
        r"Breakaway not measurable in this cycle: only [0-4] of 11 starts accelerated so little that inertia adds less than 2 % of "
        r"friction\. Plan 6 strokes .*",
        figure.reasons[0],
    )


def test_starts_at_one_angle_say_nothing_of_the_others() -> None:
    sums = sums_of(starting(replace(SLOW, strokes=12)))
    outward = [start for start in sums.starts[3:] if start.direction > 0]
    found = breakaway(msgspec.structs.replace(sums, starts=tuple(outward)))
    assert found.status == REFUSED
    assert re.search(r"in this cycle: all starts were at \d+°\. Plan", found.reasons[0])


def test_a_standstill_too_short_for_friction_to_rest_is_no_start() -> None:
    sums = sums_of(starting())
    hasty = [msgspec.structs.replace(start, rest_from=start.index - 50) for start in sums.starts]
    refused(
        breakaway(msgspec.structs.replace(sums, starts=tuple(hasty))),
        "0 starts of unpowered passes from rest, of 5 or more",
    )
