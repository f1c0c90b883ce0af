"""A made-up actuator's cycle as plain arrays, every number of which is known."""

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from nightturn.model.figures import REFUSED, CycleRecord, Figure
from nightturn.replay.smooth_cycles import SmoothCycles
from nightturn.replay.smoothness import smoothness

Floats = npt.NDArray[np.float64]
Triple = tuple[Floats, Floats, Floats]

RATE_HZ = 1000
STROKE_RPM = 20.0
FRICTION_NM, ZERO_NM, HOLD_NM = 0.1, 0.03, 5.0
COGGING_PP_NM, RIPPLE_PP_NM = 0.04, 0.06
PAN: dict[str, Any] = {"pole_pairs": 16, "slots": 36, "rated_torque_nm": 15.0}


def figures(arrays: Triple, **options: Any) -> SmoothCycles:
    """`smoothness` of the arrays, with the product's numbers where the options have no other."""
    return smoothness(*arrays, **{**PAN, **options})


def alike(rad_per_s: float) -> float:
    """Friction that is the same both ways and at every speed."""
    return math.copysign(FRICTION_NM, rad_per_s)


def passes(
    rpm: float, strokes: int, hold_nm: float, ways: tuple[int, ...]
) -> Iterator[tuple[float, float, float]]:
    """(signed turns, rpm, torque held) of one cycle; the hold turns back where both ways are turned."""
    for way in ways:
        yield 2.1 * way, rpm, 0.0
    if hold_nm:
        yield (-2.1 if {*ways} == {1, -1} else 2.1), rpm, hold_nm
    for number in range(strokes):
        yield (0.5 if number % 2 else -0.5), STROKE_RPM, 0.0


def cycle(
    seed: int = 5,
    *,
    strokes: int = 2,
    rpm: float = 10.0,
    friction: Callable[[float], float] = alike,
    zero_nm: float = ZERO_NM,
    hold_nm: float = HOLD_NM,
    ways: tuple[int, ...] = (1, -1, 1),
) -> Triple:
    """Time, angle and torque of one cycle, free of any converter's grid; friction opposes the turning."""
    rng = np.random.default_rng(seed)
    angles, torques = [np.zeros(RATE_HZ)], [np.zeros(RATE_HZ)]
    for turns, turning_rpm, held in passes(rpm, strokes, hold_nm, ways):
        n = round(abs(turns) / turning_rpm * 60 * RATE_HZ)
        speed = math.copysign(turning_rpm / 60 * math.tau, turns)
        angle = angles[-1][-1] + np.arange(1, n + 1) * (speed / RATE_HZ)
        own = COGGING_PP_NM / 2 * np.sin(36 * angle) - friction(speed)
        load = held + RIPPLE_PP_NM / 2 * np.sin(16 * angle) * (held != 0)
        rest = np.full(round(1.5 * RATE_HZ), angle[-1])
        angles += [angle, rest]
        torques += [own + load, np.zeros(len(rest))]
    angle, torque = np.concatenate(angles), np.concatenate(torques) + zero_nm
    return np.arange(len(angle)) / RATE_HZ, angle, torque + rng.normal(0, 2e-3, len(angle))


def repeated(arrays: Triple, cycles: int) -> Triple:
    """The same cycle again and again."""
    time, angle, torque = arrays
    step = time[-1] + 1 / RATE_HZ
    numbers = range(cycles)
    return (
        np.concatenate([time + number * step for number in numbers]),
        np.concatenate([angle + number * angle[-1] for number in numbers]),
        np.concatenate([torque] * cycles),
    )


UNMEASURED = ("coulomb_nm", "viscous_nm_s_per_rad", "breakaway_nm")
"""Figures for which `cycle` has too few strokes and starts from rest."""


def figures_measured(record: CycleRecord) -> list[Figure]:
    """The figures of a record but for those that a cycle of `cycle` cannot give, which have to say so."""
    for name in UNMEASURED:
        assert (record.figure(name).value, record.figure(name).status) == (None, REFUSED)
    return [figure for figure in record.figures if figure.name not in UNMEASURED]


def values(records: SmoothCycles) -> dict[str, float | None]:
    """The figures of the first cycle that can be measured in one."""
    return {figure.name: figure.value for figure in figures_measured(records[0])}
