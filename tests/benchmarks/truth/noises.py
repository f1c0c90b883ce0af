"""Noise and linear paths of a torque channel: 1/f noise, coupling resonance, low pass."""

import numpy as np
from scipy import fft, signal
from tests.benchmarks.truth.patterns import TAU, Complexes, Floats, Response
from tests.benchmarks.truth.signals import Dynamics, Signal


def flicker(n: int, rng: np.random.Generator) -> Floats:
    """(n,) noise whose power density falls with 1/f down to 1/n, of unit expected variance.

    Drawn in the frequency domain over a longer stretch and cut, so that the end knows nothing of the beginning.
    """
    long = fft.next_fast_len(n + n // 2, real=True)
    bins = np.arange(1, long // 2 + 1)
    lowest = (
        long / n
    )  # nothing below one period over the cycle: that is a zero and its drift, which have their own places
    power = np.where(bins >= lowest, 1.0 / bins, 0.0)
    parts = rng.standard_normal((2, len(bins)))
    spectrum = np.zeros(long // 2 + 1, np.complex128)
    spectrum[1:] = np.sqrt(power / 2) * (parts[0] + 1j * parts[1])
    wave: Floats = fft.irfft(spectrum, long)[:n]
    return np.asarray(wave * (long / np.sqrt(2 * power.sum())))


def sections(made: Signal) -> Floats | None:
    """Second-order sections of coupling and filter at the signal's rate; None where torque passes unchanged.

    Coupling: (2 z w s + w^2) / (s^2 + 2 z w s + w^2), a torque on an inertia behind a damped spring whose other end is
    held, as the spring carries it on.
    """
    rate, out = float(made.plan.rate_hz), []
    if made.resonance_hz:
        w = (
            2 * rate * np.tan(np.pi * made.resonance_hz / rate)
        )  # prewarped, so that the resonance stays where it is
        top, bottom = [2 * made.damping * w, w * w], [1.0, 2 * made.damping * w, w * w]
        out.append(signal.tf2sos(*signal.bilinear(top, bottom, rate)))
    if made.low_pass_hz:
        out.append(signal.butter(1, made.low_pass_hz, fs=rate, output="sos"))
    return np.concatenate(out) if out else None


def response_of(made: Signal) -> Response | None:
    """Gain by frequency of what lies between rotor and converter; None where there is nothing."""
    sos, plant = sections(made), made.dynamics
    if sos is None and plant is None:
        return None

    def response(frequency_hz: Floats) -> Complexes:
        gain = np.ones(len(frequency_hz), np.complex128)
        if sos is not None:
            below = np.minimum(frequency_hz, made.plan.rate_hz / 2)
            gain *= signal.sosfreqz(sos, below, fs=made.plan.rate_hz)[1]
        if plant is not None:
            gain *= coupling(plant, made.viscous_nm_s, frequency_hz)
        return gain

    return response


def coupling(plant: Dynamics, viscous_nm_s: float, frequency_hz: Floats) -> Complexes:
    """Transducer torque over the unit's torque: the unit's inertia on the coupling, the drive and its controller behind it.

    With Z = c + k/s, U = J2 s + b, D = J1 s + gain + integral/s: H = Z / (Z + U + Z U / D). b is the slope of the friction
    over speed while the unit slides; that of a Stribeck curve is left out, because its bristles follow it late.
    """
    spring, unit, drive = _impedances(plant, viscous_nm_s, frequency_hz)
    return np.asarray(spring / (spring + unit + spring * unit / drive))


def from_drive(plant: Dynamics, viscous_nm_s: float, frequency_hz: Floats) -> Complexes:
    """Transducer torque over the drive's own torque, which has to turn the unit's inertia: -(Z U / D) over the same."""
    spring, unit, drive = _impedances(plant, viscous_nm_s, frequency_hz)
    return np.asarray(-spring * unit / drive / (spring + unit + spring * unit / drive))


def _impedances(
    plant: Dynamics, viscous_nm_s: float, frequency_hz: Floats
) -> tuple[Complexes, Complexes, Complexes]:
    """Torque over speed of coupling, unit and drive with its controller."""
    s = np.asarray(2j * np.pi * np.maximum(frequency_hz, 1e-9))
    spring = plant.damping_nm_s + plant.stiffness_nm_per_rad / s
    unit = plant.unit_kg_m2 * s + viscous_nm_s
    drive = plant.drive_kg_m2 * s + plant.gain_nm_s + plant.integral_nm / s
    return spring, unit, drive


def passed(made: Signal, torque: Floats) -> Floats:
    """Torque behind coupling and filter, settled on its first value."""
    sos = sections(made)
    if sos is None:
        return torque
    state = signal.sosfilt_zi(sos) * torque[0]
    out, _ = signal.sosfilt(sos, torque, zi=state)
    return np.asarray(out)


def hum(made: Signal, time_s: Floats, rng: np.random.Generator) -> Floats:
    """Mains hum at a phase of its own."""
    return np.asarray(made.hum_nm * np.cos(TAU * made.hum_hz * time_s + rng.uniform(0.0, TAU)))
