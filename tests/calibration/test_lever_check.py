"""A lever that is turned on a rig with known errors: each is found by its name, or what cannot be said is said."""

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from nightturn.calibration.lever_check import (
    BAD,
    GOOD,
    NOT_KNOWN,
    Hung,
    Turn,
    lever_check,
    passed,
    whole_turns,
)
from nightturn.errors import CalibrationError

WEIGHT_NM = 9.81
LEVEL_DEG = 40.0
SAMPLES = 4000


def hung(**changes: Any) -> Hung:
    values = {"torque_nm": WEIGHT_NM, "u_rel": 5e-4, "level_deg": LEVEL_DEG, "down_deg": LEVEL_DEG + 90.0}
    return Hung(**{**values, **changes})


def turned(
    *, factor: float = 1.0, off_deg: float = 0.0, sign: int = 1, sense: int = 1, hysteresis: float = 0.0, drift_nm: float = 0.0,
    zero_nm: float = 0.0, sticks_deg: tuple[float, ...] = (0.0,), ways: tuple[int, ...] = (1, -1),
) -> list[Turn]:  # fmt: skip
    """Whole turns of a rig with friction, cogging and noise, and with these errors."""
    return list(_turned(factor, off_deg, sign, sense, hysteresis, drift_nm, zero_nm, sticks_deg, ways))


def _turned(
    factor: float, off_deg: float, sign: int, sense: int, hysteresis: float, drift_nm: float, zero_nm: float,
    sticks_deg: tuple[float, ...], ways: tuple[int, ...],
) -> Iterator[Turn]:  # fmt: skip
    rng, began = np.random.default_rng(3), 0.0
    for at, way in enumerate(ways):
        shaft = np.linspace(0.0, math.tau * 1.01, SAMPLES)[::way]
        time = np.asarray(began + np.arange(SAMPLES) * 0.01, np.float64)
        began = float(time[-1]) + 5.0
        past_level = shaft - math.radians(LEVEL_DEG)
        true = WEIGHT_NM * np.cos(past_level) - 0.08 * way + 0.05 * np.cos(36 * shaft)
        loop = hysteresis * WEIGHT_NM * way * np.abs(np.sin(past_level)) * np.sign(np.sin(past_level))
        read = sign * (factor * true + loop) + zero_nm + drift_nm * time / (len(ways) * SAMPLES * 0.01)
        angle = sense * shaft + math.radians(off_deg + sticks_deg[at % len(sticks_deg)])
        if sense < 0:
            angle = angle + 2 * math.radians(LEVEL_DEG)
        yield from whole_turns(time, angle, read + rng.normal(0.0, 0.02, SAMPLES), way * sense)


def states(turns: list[Turn], **changes: Any) -> dict[str, str]:
    return {each.what: each.state for each in lever_check(turns, hung(**changes))}


def test_a_rig_without_errors_is_proven_by_one_turn_each_way() -> None:
    findings = lever_check(turned(), hung())
    assert [each.state for each in findings] == [GOOD] * 8
    assert passed(findings)


@pytest.mark.parametrize(
    ("error", "found"),
    [
        ({"factor": 1.007}, "factor"),
        ({"factor": 0.993}, "factor"),
        ({"off_deg": 3.0}, "angle zero"),
        ({"sign": -1}, "torque sign"),
        ({"zero_nm": 0.1}, "zero"),
        ({"hysteresis": 0.02, "ways": (1, 1, -1, -1)}, "hysteresis"),
    ],
)
def test_one_error_is_found_by_its_name_and_nothing_else_is(error: dict[str, Any], found: str) -> None:
    assert {what for what, state in states(turned(**error)).items() if state != GOOD} == {found}


def test_a_drift_is_found_and_the_factor_is_not_blamed_for_it() -> None:
    found = states(turned(drift_nm=0.3))
    assert (found["drift"], found["factor"], found["torque sign"]) == (BAD, GOOD, GOOD)


def test_an_encoder_that_counts_the_other_way_is_found_by_where_the_lever_hangs() -> None:
    found = states(turned(sense=-1), down_deg=LEVEL_DEG - 90.0)
    assert {what for what, state in found.items() if state != GOOD} == {"angle sense"}


def test_an_index_that_sticks_is_found_with_two_turns_each_way_and_not_known_with_one() -> None:
    stuck = turned(sticks_deg=(0.0, 2.0), ways=(1, 1, -1, -1))
    assert states(stuck)["index"] == BAD
    once = states(turned(sticks_deg=(0.0, 2.0)))
    assert (once["index"], once["hysteresis"]) == (NOT_KNOWN, BAD)


def test_what_one_way_alone_cannot_prove_is_said() -> None:
    found = states(turned(ways=(1,)))
    unknown = {what for what, state in found.items() if state == NOT_KNOWN}
    assert unknown == {"zero", "hysteresis", "drift", "index"}
    assert not passed(lever_check(turned(ways=(1,)), hung()))


def test_a_lever_that_is_known_too_badly_does_not_prove_the_factor() -> None:
    assert states(turned(), u_rel=0.01)["factor"] == NOT_KNOWN


def test_readings_that_are_no_quarter_turn_apart_prove_no_sense() -> None:
    assert states(turned(), down_deg=LEVEL_DEG)["angle sense"] == NOT_KNOWN
    assert states(turned(), level_deg=LEVEL_DEG + 90.0)["torque sign"] == NOT_KNOWN


def test_no_turn_and_no_mass_are_refused() -> None:
    with pytest.raises(CalibrationError, match="a little more than once round"):
        lever_check([], hung())
    rng = np.random.default_rng(1)
    angle = np.linspace(0, math.tau, SAMPLES)
    empty = list(whole_turns(angle, angle, rng.normal(0, 0.02, SAMPLES), 1))
    with pytest.raises(CalibrationError, match="no mass hangs"):
        lever_check(empty, hung())
    sparse = [Turn(each.time_s[::40], each.angle_rad[::40], each.torque_nm[::40], each.way) for each in empty]
    with pytest.raises(CalibrationError, match="sample faster"):
        lever_check(sparse, hung())
