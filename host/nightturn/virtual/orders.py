"""Orders of the mechanical revolution, the rig's torsional resonance, and waveforms rebuilt from both."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.virtual.products import Orders, Product

Floats = npt.NDArray[np.float64]
TABLE_POINTS = 32768
GOLDEN_ANGLE_RAD = 2.399963229728653  # phase of order n is n times this: spread, and the same for everyone


def phase_rad(order: int) -> float:
    """Phase of an order's sine at angle 0."""
    return (order * GOLDEN_ANGLE_RAD) % math.tau


def transfer(product: Product, omega_rad_s: float, stiffness: float = 1.0) -> complex:
    """Torque at the rotor to what the converter sees, the driver held stiff; `omega_rad_s` may be negative.

    Of the coupling's stiffness this share is left.
    """
    spring = complex(product.stiffness_nm_per_rad * stiffness, omega_rad_s * product.damping_nm_s_per_rad)
    seen = spring / (spring - product.inertia_kg_m2 * omega_rad_s * omega_rad_s)
    corner_hz = product.bridge.filter_hz
    return seen / complex(1.0, omega_rad_s / (math.tau * corner_hz)) if corner_hz else seen


def phasors(
    product: Product, orders: Orders, speed_rad_s: float, stiffness: float = 1.0
) -> dict[int, complex]:
    """Complex amplitude of each order as the transducer sees it at a steady signed speed; 0 gives the rotor's."""
    return {
        order: -1j
        * amplitude
        * np.exp(1j * phase_rad(order))
        * transfer(product, order * speed_rad_s, stiffness)
        for order, amplitude in orders
    }


def waveform(terms: dict[int, complex], points: int = TABLE_POINTS) -> Floats:
    """One revolution of a sum of orders, shape (points,)."""
    spectrum = np.zeros(points // 2 + 1, np.complex128)
    for order, term in terms.items():
        spectrum[order] = term * (points / 2)
    return np.fft.irfft(spectrum, points)


def pulse(at_rad: float, width_rad: float) -> Floats:
    """One pulse of height 1 in a period (points,), half a period behind `at_rad`."""
    phase = np.mod(np.arange(TABLE_POINTS) * (math.tau / TABLE_POINTS) - at_rad, math.tau) - math.pi
    return np.asarray(np.exp(-(phase**2) / (2 * width_rad**2)), np.float64)


def slot_passes(slots: int, at_rad: float, width_rad: float) -> Floats:
    """What one magnet that lacks a piece adds in a turn (points,): a pulse of height 1 as it passes each slot, and no mean torque.

    Multiples of the slots only (Z. Q. Zhu, D. Howe, IEEE Trans. Energy Conversion 15(4), 2000, 407-412; from memory).
    """
    pitch = math.tau / slots
    behind = (
        np.mod(np.arange(TABLE_POINTS) * (math.tau / TABLE_POINTS) - at_rad + pitch / 2, pitch) - pitch / 2
    )
    passes = np.exp(-(behind**2) / (2 * width_rad**2))
    return np.asarray(passes - passes.mean(), np.float64)


@dataclass(frozen=True, slots=True)
class Wave:
    """A periodic table with its steps, for linear interpolation; float32, so that many fixtures fit a cache."""

    values: npt.NDArray[np.float32]
    steps: npt.NDArray[np.float32]

    @classmethod
    def of_terms(cls, terms: dict[int, complex], scale: float) -> "Wave":
        """From complex orders; what linear interpolation takes from each order is put back first."""
        return cls.of(
            waveform({order: term / np.sinc(order / TABLE_POINTS) ** 2 for order, term in terms.items()})
            * scale
        )

    @classmethod
    def of(cls, table: Floats) -> "Wave":
        """From one revolution of values."""
        return cls(table.astype(np.float32), (np.roll(table, -1) - table).astype(np.float32))

    def at(self, cell: npt.NDArray[np.int64], rest: Floats) -> Floats:
        """Values at table cells and the part of a cell beyond them."""
        value: Floats = self.steps.take(cell) * rest
        value += self.values.take(cell)
        return value
