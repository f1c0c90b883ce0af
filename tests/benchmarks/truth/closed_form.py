"""The closed form: one cycle's torque from its parts, its digitised samples, and what a perfect measurement would give.

Shares no code with the product: neither with its virtual bench nor with its estimators.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from tests.benchmarks.truth.motion import Motion, motion_of
from tests.benchmarks.truth.noises import flicker, from_drive, hum, passed, response_of
from tests.benchmarks.truth.patterns import (
    BLOCK,
    TAU,
    Complexes,
    Defect,
    Floats,
    Response,
    over,
    peak_to_peak,
    rms,
    seen,
    table,
)
from tests.benchmarks.truth.signals import ADC_RAIL, Signal

ZERO_COUNT = 1200


@dataclass(frozen=True, slots=True)
class Samples:
    """What is recorded: converter and encoder counts, and which samples arrived."""

    made: Signal
    raw: npt.NDArray[np.int32]
    encoder: npt.NDArray[np.int64]
    arrived: npt.NDArray[np.bool_] | None = None

    def runs(self) -> Iterator[tuple[int, int]]:
        """Stretches [start, stop) of samples that arrived one after the other."""
        if self.arrived is None:
            yield 0, len(self.raw)
            return
        edges = np.flatnonzero(np.diff(self.arrived, prepend=False, append=False))
        yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


@dataclass(frozen=True, slots=True)
class Truth:
    """What a perfect measurement would give, N·m, taken densely from the patterns without noise."""

    ripple_pp_nm: float
    ripple_rms_nm: float
    cogging_pp_nm: float
    friction_nm: float
    zero_nm: float
    mean_torque_nm: float
    friction_variation_pp_nm: float = float("nan")
    coulomb_nm: float = float("nan")
    viscous_nm_s_per_rad: float = float("nan")
    breakaway_nm: float = float("nan")


@lru_cache(maxsize=4)
def tables_of(made: Signal) -> dict[str, Floats]:
    """The patterns of a signal over one revolution: gross cogging, the rotor's own, ripple, friction."""
    own = table(made.cogging, _defects(made, "cogging"))
    return {
        "gross": own + table(made.rig) if made.rig else own,
        "cogging": own,
        "ripple": table(made.ripple, _defects(made, "hold")),
        "friction": table(made.friction_orders, _defects(made, "friction")),
    }


def torque_of(made: Signal, rng: np.random.Generator, motion: Motion | None = None) -> Floats:
    """Torque at the converter's input, N·m, sample by sample, without white noise."""
    motion = motion or motion_of(made.plan)
    angle, speed = _true_motion(made, motion)
    late = (
        angle - speed * made.lag_s - np.sign(speed) * np.radians(made.lag_deg)
        if made.lag_s or made.lag_deg
        else angle
    )
    tables = tables_of(made)
    torque = over(tables["gross"], late)
    for order, amplitude in made.off_orders.items():
        torque += amplitude * np.cos(order * late)
    if motion.hold is not None:
        held = motion.hold.whole
        torque[held] += made.plan.hold_nm + over(tables["ripple"], late[held])
    against = _friction(made, np.abs(speed))
    if made.friction_orders or _defects(made, "friction"):
        against += over(tables["friction"], late)
    torque -= np.sign(speed) * against
    if made.cable_nm_per_rev:
        middle = motion.angle_rad[motion.legs[0].stop - 1] / 2
        torque += made.cable_nm_per_rev / TAU * (motion.angle_rad - middle)
    torque = passed(made, torque)
    add_channel(made, motion, torque, rng)
    return torque


def _friction(made: Signal, speed: Floats) -> Floats:
    """Running friction by the size of the speed."""
    against = made.coulomb_nm + made.viscous_nm_s * speed
    if made.static_nm:
        against += (made.static_nm - made.coulomb_nm) * np.exp(-((speed / made.stribeck_rad_s) ** 2))
    return np.asarray(against)


def _true_motion(made: Signal, motion: Motion) -> tuple[Floats, Floats]:
    """Angle and speed with the drive's ripple: d(theta)/dt = w (1 + r cos(n w t))."""
    angle, speed = motion.angle_rad + made.start_rad, motion.speed_rad_s
    for order, ripple in made.speed_ripple.items():
        angle = angle + ripple / order * np.sin(order * motion.angle_rad)
        speed = speed + motion.speed_rad_s * ripple * np.cos(order * motion.angle_rad)
    return angle, speed


def add_channel(made: Signal, motion: Motion, torque: Floats, rng: np.random.Generator) -> None:
    """Zero, drift, bend, step, 1/f noise and hum."""
    n = len(torque)
    torque += zero_at(made, motion, np.arange(n)) if _moves(made) else made.zero_nm
    if made.flicker_nm:
        torque += made.flicker_nm * flicker(n, rng)
    if made.hum_nm:
        torque += hum(made, np.arange(n) / made.plan.rate_hz, rng)


def _moves(made: Signal) -> bool:
    return bool(made.drift_nm or made.bend_nm or made.step_nm)


def zero_at(made: Signal, motion: Motion, index: npt.NDArray[np.int64]) -> Floats:
    """The channel's zero at these samples."""
    share = index / len(motion.angle_rad)
    step_from = (motion.legs[made.step_after].stop + motion.legs[made.step_after + 1].start) // 2
    zero = made.zero_nm + made.drift_nm * share + made.bend_nm * 4 * share * (1 - share)
    return np.asarray(zero + made.step_nm * (index >= step_from))


def record(made: Signal, rng: np.random.Generator) -> Samples:
    """One cycle, digitised."""
    motion = motion_of(made.plan)
    return digitised(made, torque_of(made, rng, motion), _true_motion(made, motion)[0], rng)


def digitised(made: Signal, torque: Floats, angle: Floats, rng: np.random.Generator) -> Samples:
    """White noise, saturation, converter and encoder over a torque and a true angle; samples that get lost."""
    n = len(torque)
    raw, encoder = np.empty(n, np.int32), np.empty(n, np.int64)
    for start in range(0, n, BLOCK):
        block = slice(start, start + BLOCK)
        raw[block] = _converted(made, torque[block], rng)
        encoder[block] = _counted(made, angle[block])
    if made.frozen_from is not None:
        at = int(made.frozen_from * n)
        raw[at:] = raw[at]
    return Samples(made, raw, encoder, _arrived(made, angle, rng))


def _converted(made: Signal, torque: Floats, rng: np.random.Generator) -> Floats:
    """Converter counts, still as floats."""
    if made.white_nm:
        torque = torque + made.white_nm * rng.standard_normal(len(torque), np.float32)
    if made.clip_nm:
        torque = np.clip(torque, -made.clip_nm, made.clip_nm)
    counts = np.rint(torque * (made.torque_scale / made.lsb_nm)) + ZERO_COUNT
    return np.asarray(np.clip(counts, -ADC_RAIL, ADC_RAIL - 1))


def _counted(made: Signal, angle: Floats) -> Floats:
    """Encoder counts, still as floats."""
    if made.eccentric_rad:
        angle = angle + made.eccentric_rad * np.sin(angle + made.eccentric_at_rad)
    return np.asarray(np.rint(angle * (made.angle_scale * made.sense / TAU * made.counts_per_rev)))


def _arrived(made: Signal, angle: Floats, rng: np.random.Generator) -> npt.NDArray[np.bool_] | None:
    if made.hole_deg is None and made.gap_s is None and not made.lost_share:
        return None
    arrived = np.ones(len(angle), np.bool_)
    if made.hole_deg is not None:
        begin, width = made.hole_deg
        arrived &= (np.degrees(angle) - begin) % 360.0 >= width
    if made.gap_s is not None:
        begin, length = (round(part * made.plan.rate_hz) for part in made.gap_s)
        arrived[begin : begin + length] = False
    if made.lost_share:
        arrived &= rng.random(len(angle)) >= made.lost_share
    return arrived


def truth_of(made: Signal, *, rotor: bool = False) -> Truth:
    """The figures of the transducer, or of the rotor: without the coupling's gain, the filter and the rig's own orders.

    Peak-to-peaks at the transducer are gross: rig orders are in, and in the hold what friction makes over angle. Friction
    is half of what the turning sense changes, mean over a turn at the speed of the slow passes. The zero is that of the
    middle pass's centre, the mean torque that of the whole hold, friction in and the channel's zero out; means are over the
    angle as the encoder reads it.
    """
    motion = motion_of(made.plan)
    response = None if rotor else response_of(made)
    slow = motion.slow[0]
    tables = tables_of(made)
    cogging = tables["cogging" if rotor else "gross"]
    turning = seen(cogging, _in_phase(response), slow.speed_rad_s)
    if made.dynamics is not None and not rotor:
        turning = turning + _of_drive(made, slow.speed_rad_s, held=False)
    middle = motion.slow[1]
    centre = (middle.steady_start + middle.steady_stop) // 2
    zero = float(zero_at(made, motion, np.array([centre]))[0]) + _mean_as_read(made, cogging)
    pp = total = mean = 0.0
    if motion.hold is not None:
        wave = cogging + tables["ripple"]
        if not rotor:
            wave = wave - motion.hold.way * tables["friction"]
        held = seen(wave, response, motion.hold.speed_rad_s)
        if made.dynamics is not None and not rotor:
            held = held + _of_drive(made, motion.hold.speed_rad_s, held=True)
        pp, total = peak_to_peak(held), rms(held)
        mean = made.plan.hold_nm - motion.hold.way * made.friction_at(motion.hold.speed_rad_s)
        mean += _mean_as_read(made, tables["ripple"])
    return Truth(
        pp,
        total,
        peak_to_peak(turning),
        made.friction_at(slow.speed_rad_s),
        zero,
        mean,
        peak_to_peak(seen(tables["friction"], _in_phase(response), slow.speed_rad_s)),
        made.coulomb_nm,
        made.viscous_nm_s,
        made.friction_at(made.plan.stroke_rpm / 60 * TAU) if made.plan.strokes else made.friction_at(0.0),
    )


def _mean_as_read(made: Signal, wave: Floats) -> float:
    """The mean of a pattern over the angle that an eccentric encoder reads; 0 over the true one."""
    if not made.eccentric_rad:
        return 0.0
    angle = np.arange(len(wave)) * (TAU / len(wave))
    return float((wave * (1.0 + made.eccentric_rad * np.cos(angle + made.eccentric_at_rad))).mean())


def _of_drive(made: Signal, speed_rad_s: float, *, held: bool) -> Floats:
    """What the drive's own torque makes the transducer read; the mean of both senses keeps only its part in phase."""
    plant = made.dynamics
    assert plant is not None

    def response(frequency_hz: Floats) -> Complexes:
        gain = from_drive(plant, made.viscous_nm_s, frequency_hz)
        return gain if held else np.asarray(gain.real, np.complex128)

    return seen(table(plant.drive_orders), response, speed_rad_s)


def _in_phase(response: Response | None) -> Response | None:
    """The gain without its phase: the two turning senses are shifted apart by it, and their mean is taken after alignment."""
    if response is None:
        return None

    def gain(frequency_hz: Floats) -> Complexes:
        return np.asarray(np.abs(response(frequency_hz)), np.complex128)

    return gain


def _defects(made: Signal, where: str) -> tuple[Defect, ...]:
    return tuple(defect for defect in made.defects if defect.where == where)
