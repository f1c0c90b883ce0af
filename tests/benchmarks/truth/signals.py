"""What a made-up bench does and how its channel records it: plain parameters of one cycle, SI units throughout."""

from dataclasses import dataclass, field
from math import exp

from tests.benchmarks.truth.patterns import Defect

ADC_RAIL = 1 << 23
WAYS = (1, -1, 1)


@dataclass(frozen=True, slots=True)
class Plan:
    """Slow passes forward, backward, forward, a hold under torque, strokes inward and out; run-up on both sides and a dwell each."""

    rate_hz: int = 2500
    slow_rpm: float = 4.0
    slow_turns: float = 2.0
    hold_rpm: float = 4.0
    hold_turns: float = 4.0
    hold_nm: float = 5.0
    run_up_deg: float = 8.0
    ramp_rad_s2: float = 2.0
    dwell_s: float = 0.8
    strokes: int = 0
    stroke_rpm: float = 24.0
    stroke_deg: float = 270.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dynamics:
    """The ODE plant: drive and unit with a coupling between them, LuGre friction, a speed controller.

    Attributes:
        drive_kg_m2, unit_kg_m2: inertias on either side of the coupling.
        stiffness_nm_per_rad, damping_nm_s: of the coupling.
        gain_nm_s, integral_nm: of the drive's controller, on the speed error and its integral.
        drive_orders: torque of the drive's own over its angle, order -> complex peak amplitude; makes the speed ripple.
        bristle_nm_per_rad, bristle_nm_s: stiffness and damping of the friction's bristles.
        substeps: steps of the solver for each sample.
    """

    drive_kg_m2: float = 0.05
    unit_kg_m2: float = 0.012
    stiffness_nm_per_rad: float = 4000.0
    damping_nm_s: float = 1.2
    gain_nm_s: float = 100.0
    integral_nm: float = 2000.0
    drive_orders: dict[int, complex] = field(default_factory=dict)
    bristle_nm_per_rad: float = 12.0
    bristle_nm_s: float = 0.2
    substeps: int = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Signal:
    """One cycle of one made-up bench, every effect of which is known.

    Attributes:
        cogging, ripple, friction_orders, rig: order -> complex peak amplitude, N·m. Ripple is there in the hold only, friction
            orders act against the turning, rig orders are the rig's own and no part of the product.
        off_orders: order that is no whole number -> peak amplitude; bearings make such.
        coulomb_nm, viscous_nm_s, static_nm, stribeck_rad_s: running friction = coulomb + (static - coulomb)
            exp(-(speed / stribeck)^2) + viscous * speed; without `static_nm` the middle part is absent.
        zero_nm, drift_nm, bend_nm: zero at the start, its rise over the cycle, its arch in the middle of the cycle.
        step_nm, step_after: jump of the zero, and after which of the slow passes (0 or 1) it comes.
        cable_nm_per_rev: torque per turn of the shaft, zero in the middle of the first pass.
        white_nm, flicker_nm: rms of noise for each sample; the latter's power falls with 1/f over the cycle's length.
        hum_nm, hum_hz: peak and frequency of mains hum.
        lag_s, lag_deg: torque is sampled late by a time and by an angle of the turning.
        low_pass_hz: corner of a first-order filter; 0 without. resonance_hz, damping: of the coupling; 0 when stiff.
        eccentric_rad, eccentric_at_rad: the encoder reads theta + eccentric_rad sin(theta + at).
        speed_ripple: order -> relative ripple of the turning speed.
        lsb_nm, clip_nm: N·m of a converter count; torque at which the amplifier saturates, 0 without.
        counts_per_rev: of the encoder. sense: +1, or -1 where it counts backwards.
        hole_deg: (from, width) in degrees of angle at which samples are lost; gap_s: (from, length) of a stretch of time that is;
            lost_share: lost singly, at random.
        frozen_from: share of the cycle after which the channel repeats one value; 0 is dead from the start.
        torque_scale, angle_scale, time_scale: what the numbers are multiplied by before anybody sees them (wrong units, wrong sense).
        dynamics: of the ODE plant; the closed form has none.
    """

    plan: Plan = Plan()
    pole_pairs: int = 14
    slots: int = 24
    rated_nm: float = 15.0
    start_rad: float = 0.3
    cogging: dict[int, complex] = field(default_factory=dict)
    ripple: dict[int, complex] = field(default_factory=dict)
    friction_orders: dict[int, complex] = field(default_factory=dict)
    rig: dict[int, complex] = field(default_factory=dict)
    off_orders: dict[float, float] = field(default_factory=dict)
    defects: tuple[Defect, ...] = ()
    coulomb_nm: float = 0.100
    viscous_nm_s: float = 0.020
    static_nm: float = 0.0
    stribeck_rad_s: float = 0.05
    zero_nm: float = 0.0
    drift_nm: float = 0.0
    bend_nm: float = 0.0
    step_nm: float = 0.0
    step_after: int = 0
    cable_nm_per_rev: float = 0.0
    white_nm: float = 0.006
    flicker_nm: float = 0.0
    hum_nm: float = 0.0
    hum_hz: float = 50.0
    lag_s: float = 0.0
    lag_deg: float = 0.0
    low_pass_hz: float = 0.0
    resonance_hz: float = 0.0
    damping: float = 0.05
    eccentric_rad: float = 0.0
    eccentric_at_rad: float = 0.0
    speed_ripple: dict[int, float] = field(default_factory=dict)
    lsb_nm: float = 50.0 / (1 << 23)
    clip_nm: float = 0.0
    counts_per_rev: int = 1 << 20
    sense: int = 1
    hole_deg: tuple[float, float] | None = None
    gap_s: tuple[float, float] | None = None
    lost_share: float = 0.0
    frozen_from: float | None = None
    torque_scale: float = 1.0
    angle_scale: float = 1.0
    time_scale: float = 1.0
    dynamics: Dynamics | None = None

    def friction_at(self, speed_rad_s: float) -> float:
        """Running friction at a steady speed, N·m."""
        magnitude = abs(speed_rad_s)
        surplus = (
            (self.static_nm - self.coulomb_nm) * exp(-((magnitude / self.stribeck_rad_s) ** 2))
            if self.static_nm
            else 0.0
        )
        return self.coulomb_nm + surplus + self.viscous_nm_s * magnitude
