"""How the signals of the families are drawn: a machine, and one way in which it can mislead the figures."""

from dataclasses import replace
from typing import Any

import numpy as np
from tests.benchmarks.truth.family import (
    Draw,
)
from tests.benchmarks.truth.patterns import Defect, turned, unequal_machine
from tests.benchmarks.truth.signals import Dynamics, Plan, Signal

COGGING = {1: 0.003, 2: 0.002, 24: 0.005, 28: 0.005, 168: 0.016, 336: 0.005}
RIPPLE = {14: 0.006, 28: 0.0075, 84: 0.011, 168: 0.004}
HIGHEST = 672
STIFF = Dynamics()
SOFT = Dynamics(stiffness_nm_per_rad=950.0, damping_nm_s=0.4)  # 45 Hz against a drive held still
PLAN = Plan()


def machine(rng: np.random.Generator, white_nm: float, **changes: Any) -> Signal:
    """The base machine at random phases, start and zero, with some parameters changed."""
    values: dict[str, Any] = {
        "cogging": turned(COGGING, rng),
        "ripple": turned(RIPPLE, rng),
        "start_rad": rng.uniform(0.0, 2 * np.pi),
        "zero_nm": rng.normal(0.0, 0.005),
        "white_nm": white_nm,
    }
    return Signal(**{**values, **changes})


def plain(**changes: Any) -> Draw:
    """The base machine with fixed parameters changed."""
    return lambda rng, white_nm: machine(rng, white_nm, **changes)


def undeclared(rng: np.random.Generator, white_nm: float) -> Signal:
    strange = {5: 0.003, 11: 0.004, 37: 0.005, 97: 0.006, 203: 0.004, 311: 0.003}
    return machine(rng, white_nm, cogging=turned({**COGGING, **strange}, rng))


def eccentric(rng: np.random.Generator, white_nm: float) -> Signal:
    return machine(rng, white_nm, eccentric_rad=0.005, eccentric_at_rad=rng.uniform(0.0, 2 * np.pi))


def unequal(spread: float) -> Draw:
    """Magnets and slots that differ by this much, 0.005 degrees out of place for each per cent."""

    def draw(rng: np.random.Generator, white_nm: float) -> Signal:
        lines = unequal_machine(28, 24, 0.016, spread, np.radians(0.5 * spread), HIGHEST, rng)
        for order, amplitude in turned({1: 0.003, 2: 0.002}, rng).items():
            lines[order] = lines.get(order, 0) + amplitude
        return machine(rng, white_nm, cogging=lines)

    return draw


def defect(height_nm: float, width_deg: float, where: str) -> Draw:
    def draw(rng: np.random.Generator, white_nm: float) -> Signal:
        sign = rng.choice((-1.0, 1.0))
        return machine(
            rng, white_nm, defects=(Defect(sign * height_nm, width_deg, rng.uniform(0, 360), where),)
        )

    return draw


def sixteen_pairs(rng: np.random.Generator, white_nm: float) -> Signal:
    """Another machine: 16 pole pairs and 36 slots."""
    cogging = {1: 0.004, 2: 0.003, 32: 0.006, 36: 0.010, 288: 0.020, 576: 0.006}
    ripple = {16: 0.006, 32: 0.0075, 96: 0.011, 192: 0.004}
    return machine(
        rng, white_nm, cogging=turned(cogging, rng), ripple=turned(ripple, rng), pole_pairs=16, slots=36
    )


def one_order(rng: np.random.Generator, white_nm: float) -> Signal:
    """A lag of nearly half a period of the only order: alike to one of the other sign."""
    return machine(rng, white_nm, cogging=turned({168: 0.020}, rng), ripple={}, lag_deg=0.5)


def step(size_nm: float) -> Draw:
    """A jump of either sign before or after the middle pass: no rule of thumb gets it right on average."""

    def draw(rng: np.random.Generator, white_nm: float) -> Signal:
        return machine(
            rng, white_nm, step_nm=rng.choice((-size_nm, size_nm)), step_after=int(rng.integers(2))
        )

    return draw


def clipped(rng: np.random.Generator, white_nm: float) -> Signal:
    return machine(rng, white_nm, clip_nm=4.905)  # the mean under load is 4.89, the crest 50 mN·m above it


def weak(rng: np.random.Generator, white_nm: float) -> Signal:
    """Declared orders none of which stands out at the highest noise."""
    orders = (1, 2, 14, 24, 28, 48, 84, 168, 336, 504)
    return machine(rng, white_nm, cogging=turned(dict.fromkeys(orders, 0.0008), rng), ripple={})


def lcm_1350(rng: np.random.Generator, white_nm: float) -> Signal:
    cogging = turned({1: 0.003, 50: 0.002, 54: 0.002, 1350: 0.015}, rng)
    return machine(
        rng, white_nm, cogging=cogging, ripple=turned({25: 0.004, 150: 0.008}, rng), pole_pairs=25, slots=54
    )


def hum(order: int, hum_hz: float, harmonic: int, peak_nm: float) -> Draw:
    """Hum that falls on an order: the speed is what makes it do so; the mains' own frequency is off by 0.02 Hz (1 sd)."""

    def draw(rng: np.random.Generator, white_nm: float) -> Signal:
        rpm = round(60 * hum_hz * harmonic / order, 2)
        rate_hz = 2500 if rpm < 12 else 10_000  # so that sampling costs no order
        plan = replace(PLAN, rate_hz=rate_hz, slow_rpm=rpm, hold_rpm=rpm, slow_turns=3.0, hold_turns=6.0)
        real = harmonic * (hum_hz + rng.normal(0.0, 0.02))
        return machine(rng, white_nm, plan=plan, hum_nm=peak_nm, hum_hz=real)

    return draw


def drive_orders(rng: np.random.Generator, white_nm: float) -> Signal:
    return machine(rng, white_nm, rig=turned({4: 0.002, 8: 0.003, 24: 0.004, 48: 0.002}, rng))


def rig_once(rng: np.random.Generator, white_nm: float) -> Signal:
    return machine(rng, white_nm, rig=turned({1: 0.005}, rng))


CORNER_HZ, CORNER_U_REL = 20.0, 0.05


def stated_filter(rng: np.random.Generator, white_nm: float) -> Signal:
    """A filter whose corner is off what is stated of it by what its parts scatter."""
    return machine(rng, white_nm, low_pass_hz=CORNER_HZ * (1.0 + rng.normal(0.0, CORNER_U_REL)))


def friction_pattern(rng: np.random.Generator, white_nm: float) -> Signal:
    return machine(rng, white_nm, friction_orders=turned({1: 0.010, 2: 0.004, 3: 0.002}, rng))


def drive_ripple(rng: np.random.Generator, white_nm: float) -> Signal:
    return machine(rng, white_nm, speed_ripple={4: 0.06}, viscous_nm_s=0.0)


def small_drive_ripple(rng: np.random.Generator, white_nm: float) -> Signal:
    return machine(rng, white_nm, speed_ripple={4: 0.02, 24: 0.01}, viscous_nm_s=0.0)


CERTIFICATE = {"factor_rel": 0.002, "gain_rel": 0.0005}
"""Standard uncertainties of a made-up channel, as the product reads them from a calibration record."""


def certified(rng: np.random.Generator, white_nm: float) -> Signal:
    """A channel whose factor and gain are off by what its certificate admits: the interval has to hold that too."""
    off = [rng.normal(0.0, sd) for sd in CERTIFICATE.values()]
    return machine(rng, white_nm, torque_scale=(1.0 + off[0]) * (1.0 + off[1]))


def hole(width_deg: float) -> Draw:
    return lambda rng, white_nm: machine(rng, white_nm, hole_deg=(rng.uniform(0, 360), width_deg))


def ode(plant: Dynamics = STIFF, **changes: Any) -> Draw:
    """The base machine as an ODE."""
    return lambda rng, white_nm: machine(rng, white_nm, dynamics=plant, **changes)


def ode_ripple(rng: np.random.Generator, white_nm: float) -> Signal:
    """A drive with cogging of its own behind a weaker controller: the speed ripples by some per cent."""
    plant = replace(STIFF, gain_nm_s=20.0, integral_nm=200.0, drive_orders=turned({4: 0.2, 24: 0.1}, rng))
    return machine(rng, white_nm, dynamics=plant)


ONE_TURN = replace(PLAN, slow_turns=1.0, hold_turns=2.0)
PART_TURN = replace(PLAN, slow_turns=0.8, hold_turns=0.8)
TEN_TURNS = replace(PLAN, slow_rpm=12.0, hold_rpm=12.0, slow_turns=10.0, hold_turns=10.0)
FIVE_TURNS = replace(PLAN, slow_rpm=6.0, hold_rpm=6.0, slow_turns=5.0, hold_turns=5.0)
FAST_SLOW_RATE = replace(PLAN, rate_hz=1000, slow_rpm=20.0, hold_rpm=20.0, slow_turns=4.0, hold_turns=8.0)
TEN_RPM = replace(PLAN, rate_hz=1000, slow_rpm=10.0, hold_rpm=10.0, slow_turns=3.0, hold_turns=6.0)
THIRTY_RPM = replace(PLAN, rate_hz=10_000, slow_rpm=30.0, hold_rpm=30.0, slow_turns=4.0, hold_turns=6.0)

TWO_SPEEDS = replace(PLAN, strokes=8)
CRISP = Dynamics(bristle_nm_per_rad=30.0)
SLOW_STARTS = replace(PLAN, strokes=6, stroke_rpm=0.2, stroke_deg=8.0)


def warming(rng: np.random.Generator, white_nm: float) -> Signal:
    """A zero that drifts while the strokes are made."""
    return machine(rng, white_nm, plan=TWO_SPEEDS, drift_nm=rng.choice((-0.020, 0.020)))


def friction_defect(rng: np.random.Generator, white_nm: float) -> Signal:
    defect = Defect(0.020, 1.0, rng.uniform(0, 360), "friction")
    return machine(rng, white_nm, friction_orders=turned({1: 0.004}, rng), defects=(defect,))
