"""Cycles of the virtual plant, without wire or device: its samples, and its own truth beside them."""

import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from tests.estimation.synthetic import Bench, Recording

from nightturn.virtual.motion import level_course, resting, travel_course
from nightturn.virtual.noise import Cable, Noise
from nightturn.virtual.plant import Int32s, Int64s, Plant
from nightturn.virtual.products import VOLTS_PER_COUNT, Product
from nightturn.virtual.truth import truth

RAMP_RAD_PER_S2 = 2.0


@dataclass(frozen=True)
class PlantCycle:
    """What the plant's samples are and what an ideal measurement would give."""

    recording: Recording
    ripple_pp_nm: float
    ripple_rms_nm: float
    cogging_pp_nm: float
    friction_nm: float
    zero_nm: float


def plant_cycle(
    product: Product,
    *,
    seed: int = 1,
    rate_hz: int = 1000,
    rpm: float = 3.0,
    white_nm: float = 0.001,
    delay_s: float = 5e-4,
    hold_nm: float = 5.0,
    slow_turns: int = 2,
    hold_turns: int = 3,
    spall: float = 0.0,
    cable: Cable | None = None,
) -> PlantCycle:
    """One cycle F-B-F-hold of a plant with this much white noise per sample and this filter delay.

    `spall` is the size of a bearing defect that has done growing; `cable` an intermittent one from the first sample on.
    """
    product = replace(
        product,
        bridge=replace(product.bridge, white_v=white_nm / product.bridge.factor_nm_per_v, delay_s=delay_s),
    )
    noise = Noise(product.bridge, seed, np.random.default_rng(seed))
    plant = Plant(product, noise, rate_hz=rate_hz, strokes=0.0, polarity=1, position=1000.0)
    if spall:
        plant.condition.began["spall"] = (-1e9, spall)
    plant.cable = cable
    speed = rpm / 60 * math.tau
    moves = [(way, slow_turns, 0.0) for way in (1, -1, 1)] + [(1, hold_turns, hold_nm)]
    chunks = [plant.generate(plant.index + 2 * rate_hz)]
    levels = plant.condition.levels()
    for way, turns, torque in moves:
        chunks += _turned(plant, way * turns, speed, torque)
        if way < 0:
            levels = plant.condition.levels()
    plant.torque.replace(plant.index, [resting(plant.index, 0.0)])
    said = truth(product, levels, speed_rad_s=speed, torque_nm=hold_nm)
    return PlantCycle(
        Recording(
            _bench(product, rate_hz, rpm, hold_nm),
            np.concatenate([c[1] for c in chunks]),
            np.concatenate([c[0] for c in chunks]),
        ),
        ripple_pp_nm=cast("float", said["ripple_pp_transducer_nm"]),
        ripple_rms_nm=cast("float", said["ripple_rms_transducer_nm"]),
        cogging_pp_nm=cast("float", said["cogging_pp_transducer_nm"]),
        friction_nm=cast("float", said["friction_nm"]),
        zero_nm=cast("float", said["zero_nm"]),
    )


def _turned(plant: Plant, turns: int, speed_rad_s: float, torque_nm: float) -> list[tuple[Int32s, Int64s]]:
    """Samples of one move at a set torque: a second to set it, the whole turns with their run-up, a second's rest."""
    rate_hz, counts = plant.rate_hz, plant.product.counts_per_rev
    level = plant.torque.piece(plant.index).value(plant.index)
    plant.torque.replace(plant.index, level_course(plant.index, level, torque_nm, 20.0 / rate_hz))
    before = plant.generate(plant.index + rate_hz)
    run_up = (speed_rad_s**2 / RAMP_RAD_PER_S2 + math.radians(4) + 0.3 * speed_rad_s) / math.tau * counts
    course = travel_course(
        plant.index,
        plant.drive.piece(plant.index).value(plant.index),
        turns * counts + math.copysign(run_up, turns),
        plant.per_sample(speed_rad_s),
        plant.per_sample(RAMP_RAD_PER_S2) / rate_hz,
    )
    plant.drive.replace(plant.index, course)
    return [before, plant.generate(course[-1].start + rate_hz)]


def _bench(product: Product, rate_hz: int, rpm: float, hold_nm: float) -> Bench:
    """What the estimator is told of the plant."""
    return Bench(
        rate_hz=rate_hz,
        counts_per_rev=product.counts_per_rev,
        lsb_nm=product.bridge.factor_nm_per_v * VOLTS_PER_COUNT,
        zero_count=0,
        pole_pairs=product.pole_pairs,
        slots=product.slots,
        hold_nm=hold_nm,
        slow_rpm=rpm,
        hold_rpm=rpm,
        strokes=0,
    )
