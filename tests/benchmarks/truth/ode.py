"""The ODE plant beside the closed form: LuGre friction, a compliant coupling and a drive with a speed controller, in C."""

import ctypes
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline
from scipy.optimize import minimize_scalar
from tests.benchmarks.truth.closed_form import Samples, Truth, add_channel, digitised, tables_of, truth_of
from tests.benchmarks.truth.motion import Leg, Motion, motion_of
from tests.benchmarks.truth.noises import passed
from tests.benchmarks.truth.patterns import POINTS, TAU, Floats, peak_to_peak, rms, table
from tests.benchmarks.truth.signals import Dynamics, Signal

SOURCE = Path(__file__).with_name("dynamics.c")
LOAD_S = 0.3
"""The hold's torque rises over this time, and has done so before the shaft turns."""
LAG_DEG = 0.5
LAG_STEPS = 201
"""Lags between the senses that are tried: wind-up is 0.01 degrees here."""
HIGHEST = 2016
"""Order up to which the senses are compared."""


class Friction(ctypes.Structure):
    """`struct friction`."""

    _fields_ = tuple(
        (name, ctypes.c_double)
        for name in ("stiffness", "damping", "coulomb", "level_static", "stribeck_speed", "viscous")
    )


class _Dynamics(ctypes.Structure):
    """`struct dynamics`."""

    _fields_ = (
        *(
            (name, ctypes.c_double)
            for name in (
                "drive_inertia",
                "unit_inertia",
                "stiffness",
                "damping",
                "gain",
                "integral_gain",
                "hold_torque",
                "step_s",
                "start_angle",
            )
        ),
        ("friction", Friction),
    )


@cache
def library() -> ctypes.CDLL:
    """The plant, compiled once a process."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "dynamics.so"
        command = (
            "gcc",
            "-O2",
            "-Wall",
            "-Wextra",
            "-Werror",
            "-shared",
            "-fPIC",
            "-o",
            str(out),
            str(SOURCE),
            "-lm",
        )
        subprocess.run(command, check=True)
        return ctypes.CDLL(str(out))


def _doubles(array: Floats) -> "ctypes._Pointer[ctypes.c_double]":
    return array.ctypes.data_as(ctypes.POINTER(ctypes.c_double))


def friction_of(made: Signal, plant: Dynamics) -> Friction:
    """The friction law of a signal."""
    return Friction(
        plant.bristle_nm_per_rad,
        plant.bristle_nm_s,
        made.coulomb_nm,
        made.static_nm or made.coulomb_nm,
        made.stribeck_rad_s,
        made.viscous_nm_s,
    )


def friction_from_rest(law: Friction, speed: float, step_s: float, steps: int) -> Floats:
    """(steps,) friction at a constant speed from a bristle at rest, after 1, 2 ... steps."""
    out = np.empty(steps)
    call: Callable[..., None] = library().friction_from_rest
    call(
        ctypes.byref(law),
        ctypes.c_double(speed),
        ctypes.c_double(step_s),
        ctypes.c_long(steps),
        _doubles(out),
    )
    return out


def solved(made: Signal, motion: Motion) -> tuple[Floats, Floats, Floats]:
    """Angle of the drive, angle of the unit, rad, and the torque in the coupling, N·m; (n,) each, without any channel."""
    plant = made.dynamics
    assert plant is not None
    n = len(motion.speed_rad_s)
    tables = tables_of(made)
    law = _Dynamics(
        plant.drive_kg_m2,
        plant.unit_kg_m2,
        plant.stiffness_nm_per_rad,
        plant.damping_nm_s,
        plant.gain_nm_s,
        plant.integral_nm,
        made.plan.hold_nm,
        1.0 / (made.plan.rate_hz * plant.substeps),
        made.start_rad,
        friction_of(made, plant),
    )
    waves = [
        np.ascontiguousarray(each)
        for each in (tables["cogging"], tables["ripple"], table(plant.drive_orders))
    ]
    speed, share = np.ascontiguousarray(motion.speed_rad_s), _load_share(made, motion)
    angle, unit, torque = np.empty(n), np.empty(n), np.empty(n)
    call: Callable[..., None] = library().run_dynamics
    call(
        ctypes.byref(law),
        _doubles(speed),
        _doubles(share),
        ctypes.c_long(n),
        ctypes.c_long(plant.substeps),
        *(_doubles(wave) for wave in waves),
        ctypes.c_long(POINTS),
        *(_doubles(out) for out in (angle, unit, torque)),
    )
    return angle, unit, torque


def _load_share(made: Signal, motion: Motion) -> Floats:
    """How much of the hold's torque is on, sample by sample."""
    share = np.zeros(len(motion.speed_rad_s))
    if motion.hold is not None:
        rise = np.linspace(0.0, 1.0, max(round(LOAD_S * made.plan.rate_hz), 2))
        whole: npt.NDArray[np.int64] = np.arange(len(rise)) + motion.hold.start - len(rise)
        share[whole] = rise
        share[motion.hold.whole] = 1.0
    return share


def record_ode(made: Signal, rng: np.random.Generator) -> Samples:
    """One cycle of the ODE plant, digitised; the encoder sits on the drive's side of the coupling."""
    motion = motion_of(made.plan)
    angle, _, torque = solved(made, motion)
    torque = passed(made, torque)
    add_channel(made, motion, torque, rng)
    return digitised(made, torque, angle, rng)


def truth_ode(made: Signal, *, rotor: bool = False) -> Truth:
    """The figures of the transducer from the plant's own solution; the rotor's are the linear path's.

    The linear path leaves out that the unit runs ahead and behind of the drive, on whose side the encoder sits, with the
    torque: on a soft coupling 0.06 % of the hold's peak to peak and as much of the cogging's.
    """
    linear = truth_of(made, rotor=rotor)
    motion = motion_of(made.plan)
    if rotor or motion.hold is None:
        return linear
    angle, _, torque = solved(made, motion)
    held = _turn(motion.hold, angle, torque)
    first, second = motion.slow[:2]
    with_, against = _turn(first, angle, torque), _turn(second, angle, torque)
    return replace(
        linear,
        ripple_pp_nm=peak_to_peak(held),
        ripple_rms_nm=rms(held),
        cogging_pp_nm=peak_to_peak(_aligned_mean(*(with_, against)[:: first.way])),
        friction_nm=float(against.mean() - with_.mean()) / 2 * first.way,
        mean_torque_nm=float(held.mean()),
    )


def _aligned_mean(forward: Floats, backward: Floats) -> Floats:
    """The mean of both senses after each was moved back by the angle by which they agree best."""
    one, other = np.fft.rfft(forward), np.fft.rfft(backward)
    orders = np.arange(len(one))
    voting = orders[1 : HIGHEST + 1]
    product = one[voting] * np.conj(other[voting])

    def apart(lag_rad: float) -> float:
        return -float((product * np.exp(2j * voting * lag_rad)).real.sum())

    lags = np.radians(np.linspace(-LAG_DEG, LAG_DEG, LAG_STEPS))
    best = float(min(lags.tolist(), key=apart))
    step = float(lags[1] - lags[0])
    lag = float(minimize_scalar(apart, bounds=(best - step, best + step), method="bounded").x)
    turn = np.exp(1j * orders * lag)
    return np.asarray(np.fft.irfft((one * turn + other * np.conj(turn)) / 2, len(forward)))


def _turn(leg: Leg, angle: Floats, torque: Floats) -> Floats:
    """The torque over even angles from 0 in the last turn of a leg."""
    steady = slice(leg.steady_start, leg.steady_stop)
    travelled, seen = leg.way * angle[steady], torque[steady]
    # A drive with a speed controller may swing about the commanded angle; what is read is in the order of the angle.
    order = np.argsort(travelled, kind="stable")
    steps = np.append(True, np.diff(travelled[order]) > 0)
    wave = CubicSpline(travelled[order][steps], seen[order][steps])
    step = TAU / POINTS
    places = np.arange(POINTS) + int(np.ceil((travelled[-1] - TAU) / step))
    out = np.empty(POINTS)
    out[leg.way * places % POINTS] = wave(places * step)
    return out
