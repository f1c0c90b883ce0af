"""Ground truth: what the plant's own parameters say, never what was measured from its samples."""

import math
from typing import TypeAlias

import numpy as np

from nightturn.virtual.condition import CHIP_RAD, CHIP_WIDTH_RAD, SPALL_WIDTH_RAD, Levels
from nightturn.virtual.orders import TABLE_POINTS, Floats, phasors, slot_passes, waveform
from nightturn.virtual.products import Product

Json: TypeAlias = "dict[str, Json] | list[Json] | str | int | float | bool | None"


def _span(wave: Floats) -> float:
    return float(wave.max() - wave.min())


def _pulses(product: Product, levels: Levels) -> Floats:
    """The defect's pulses over the first revolution."""
    angle = np.arange(TABLE_POINTS) * (math.tau / TABLE_POINTS)
    phase = np.mod(angle * product.bearing_order, math.tau) - math.pi
    pulses: Floats = levels.spall_nm * np.exp(-(phase**2) / (2 * SPALL_WIDTH_RAD**2))
    return pulses


def _order_table(product: Product, speed_rad_s: float, torque_nm: float, stiffness: float) -> dict[str, Json]:
    table: dict[str, Json] = {}
    orders = sorted({order for order, _ in (*product.cogging, *product.ripple)})
    for order in orders:
        rotor = _sum(product, 0.0, torque_nm)[order]
        seen = _sum(product, speed_rad_s, torque_nm, stiffness)[order]
        table[str(order)] = {
            "rotor_nm": float(abs(rotor)),
            "transducer_nm": float(abs(seen)),
            "phase_rad": float(np.angle(seen * 1j)),
        }
    return table


def _sum(
    product: Product, speed_rad_s: float, torque_nm: float, stiffness: float = 1.0
) -> dict[int, complex]:
    terms = phasors(product, product.cogging, speed_rad_s, stiffness)
    for order, term in phasors(product, product.ripple, speed_rad_s, stiffness).items():
        terms[order] = terms.get(order, 0j) + torque_nm * term
    return terms


def truth(product: Product, levels: Levels, *, speed_rad_s: float, torque_nm: float = 0.0) -> dict[str, Json]:
    """The figures an ideal measurement would give at a steady signed speed and set torque; peak amplitudes by order.

    `friction_nm` is the mean magnitude while running. Ripple is cogging and load ripple together, as the rig sees it
    under torque; `ripple_with_defect_pp_nm` adds a bearing defect's pulses over the first revolution and a magnet's chip.
    """
    wave = {
        (where, torque): waveform(_sum(product, speed, torque, levels.stiffness))
        for where, speed in (("rotor", 0.0), ("transducer", speed_rad_s))
        for torque in {0.0, torque_nm}
    }
    friction = levels.running_nm(product, speed_rad_s)
    seen = wave["transducer", torque_nm]
    damaged = (
        seen
        - math.copysign(1.0, speed_rad_s) * _pulses(product, levels)
        + levels.chip_nm * slot_passes(product.slots, CHIP_RAD, CHIP_WIDTH_RAD)
    )
    return {
        "product": product.name,
        "speed_rad_s": speed_rad_s,
        "torque_nm": torque_nm,
        "rated_torque_nm": product.rated_torque_nm,
        "cogging_pp_rotor_nm": _span(wave["rotor", 0.0]),
        "cogging_pp_transducer_nm": _span(wave["transducer", 0.0]),
        "ripple_pp_rotor_nm": _span(wave["rotor", torque_nm]),
        "ripple_pp_transducer_nm": _span(seen),
        "ripple_pct_rated": 100.0 * _span(seen) / product.rated_torque_nm,
        "ripple_rms_transducer_nm": float(np.std(seen)),
        "ripple_with_defect_pp_nm": _span(damaged),
        "friction_nm": friction,
        "friction_pct_rated": 100.0 * friction / product.rated_torque_nm,
        "spall_nm": levels.spall_nm,
        "chip_nm": levels.chip_nm,
        "stiffness": levels.stiffness,
        "zero_v": levels.zero_v,
        "zero_nm": levels.zero_v * product.bridge.factor_nm_per_v,
        "orders": _order_table(product, speed_rad_s, torque_nm, levels.stiffness),
    }
