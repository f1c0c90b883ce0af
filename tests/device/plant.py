"""The bench plant of the ports as Python sees it, and the truth that its header names."""

import ctypes
import os
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from tests.device.build import DEVICE, built

from nightturn_protocol.messages import Axis, DriveMode, Output

HEADER = DEVICE / "ports" / "plant" / "nt_plant.h"
UNM = 1e-6  # newton metres
TURN = 1 << 32  # of a phase
NOTHING = 0.0
_DEFINE = re.compile(r"^#define NT_PLANT_(\w+) \(?(-?(?:0x)?[0-9A-F]+)u?\)?(?:\s|$)", re.MULTILINE)


@cache
def named() -> dict[str, int]:
    """Every number that the plant's header names, without its prefix."""
    return {name: int(value, 0) for name, value in _DEFINE.findall(HEADER.read_text(encoding="utf-8"))}


COUNTS_PER_NM = named()["COUNTS_PER_NM_X5"] / 5
COUNTS_PER_REV = named()["COUNTS_PER_REV"]
COUNTS_PER_RAD = COUNTS_PER_REV / (2 * np.pi)


@dataclass(frozen=True, slots=True)
class PlantOrder:
    """One mechanical order; `amplitude` in N·m of cogging, or as part of the set torque of ripple."""

    order: int
    amplitude: float
    phase_rad: float


@dataclass(frozen=True, slots=True)
class Taken:
    """A stretch of samples, each array shape (n,)."""

    torque: npt.NDArray[np.int32]
    encoder: npt.NDArray[np.int64]
    inputs: npt.NDArray[np.uint16]
    flags: npt.NDArray[np.uint16]


@cache
def library() -> Any:
    """Core, plant and the glue around them, in the build that NIGHTTURN_HARNESS names."""
    sanitized = os.environ.get("NIGHTTURN_HARNESS") == "sanitized"
    lib = ctypes.CDLL(str(built("libnightturn-device-asan.so" if sanitized else "libnightturn-device.so")))
    lib.glue_slow.restype = ctypes.c_float
    lib.glue_moving.restype = ctypes.c_bool
    lib.glue_lease_live.restype = ctypes.c_bool
    lib.glue_order.restype = ctypes.c_bool
    lib.glue_sheet.restype = ctypes.POINTER(ctypes.c_uint8)
    lib.glue_rates.restype = ctypes.c_uint32
    lib.glue_zero.restype = ctypes.c_int32
    lib.nt_plant_sine.restype = ctypes.c_int32
    lib.nt_plant_sine.argtypes = (ctypes.c_uint32,)
    lib.glue_init.argtypes = (ctypes.c_uint32, ctypes.c_uint32)
    lib.glue_drive.argtypes = (
        ctypes.c_uint8,
        ctypes.c_uint8,
        ctypes.c_float,
        ctypes.c_float,
        ctypes.c_int64,
    )
    lib.glue_off.argtypes = (ctypes.c_uint8, ctypes.c_float)
    lib.glue_output.argtypes = (ctypes.c_uint8, ctypes.c_bool)
    lib.glue_fault.argtypes = (ctypes.c_uint8, ctypes.c_bool)
    lib.glue_lease.argtypes = (ctypes.c_bool,)
    lib.glue_ready.argtypes = (ctypes.c_bool,)
    return lib


def order_table(*, ripple: bool) -> list[PlantOrder]:
    """The plant's own table: of ripple, or of cogging."""
    order, amplitude, phase = ctypes.c_uint32(), ctypes.c_int32(), ctypes.c_uint32()
    found: list[PlantOrder] = []
    places = ctypes.byref(order), ctypes.byref(amplitude), ctypes.byref(phase)
    while library().glue_order(ripple, len(found), *places):
        angle = phase.value * 2 * np.pi / TURN
        found.append(PlantOrder(order.value, amplitude.value * UNM, angle))
    return found


def friction_nm(speed_rad_s: float, *, shorted: bool = False) -> float:
    """Magnitude of friction at a steady speed beyond the breakaway."""
    truth = named()
    drag = truth["VISCOUS_UNM_S"] + (truth["SHORTED_UNM_S"] if shorted else 0)
    return (truth["COULOMB_UNM"] + drag * abs(speed_rad_s)) * UNM


def wave_nm(torque_nm: float = NOTHING, points: int = 1 << 15) -> npt.NDArray[np.float64]:
    """Cogging, and the ripple of a set torque, over one revolution."""
    angle = np.arange(points) * (2 * np.pi / points)
    wave = np.zeros(points)
    for share, table in ((1.0, order_table(ripple=False)), (torque_nm, order_table(ripple=True))):
        for each in table:
            wave += share * each.amplitude * np.sin(each.order * angle + each.phase_rad)
    return wave


class Plant:
    """One bench; there is one at a time."""

    def __init__(self, seed: int = 1, rate_hz: int = 1000) -> None:
        self._lib = library()
        self._lib.glue_init(seed, rate_hz)

    def take(self, count: int) -> Taken:
        """The next samples."""
        taken = Taken(
            np.empty(count, np.int32),
            np.empty(count, np.int64),
            np.empty(count, np.uint16),
            np.empty(count, np.uint16),
        )
        arrays = (taken.torque, taken.encoder, taken.inputs, taken.flags)
        self._lib.glue_samples(count, *(array.ctypes.data_as(ctypes.c_void_p) for array in arrays))
        return taken

    def turn(self, speed_rad_s: float, ramp_rad_s2: float = NOTHING) -> None:
        """DRIVE SPEED; a ramp of 0 is the board's own."""
        self._lib.glue_drive(Axis.DRIVE, DriveMode.SPEED, speed_rad_s, ramp_rad_s2, 0)

    def travel(self, counts: int, speed_rad_s: float, ramp_rad_s2: float = NOTHING) -> None:
        """DRIVE TRAVEL."""
        self._lib.glue_drive(Axis.DRIVE, DriveMode.TRAVEL, speed_rad_s, ramp_rad_s2, counts)

    def hold(self, torque_nm: float, ramp_nm_s: float = NOTHING) -> None:
        """ACTUATOR TORQUE."""
        self._lib.glue_drive(Axis.ACTUATOR, DriveMode.TORQUE, torque_nm, ramp_nm_s, 0)

    def off(self, axis: Axis, ramp: float = NOTHING) -> None:
        """Bring an axis to off."""
        self._lib.glue_off(axis, ramp)

    def settle(self, seconds_max: float = 60.0, rate_hz: int = 1000) -> Taken:
        """Samples until the drive stands."""
        parts = [self.take(1)]
        while self.moving:
            parts.append(self.take(1))
            assert len(parts) <= seconds_max * rate_hz, "the drive does not come to rest"
        names = ("torque", "encoder", "inputs", "flags")
        return Taken(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    @property
    def moving(self) -> bool:
        """Whether the drive turns or is about to."""
        return bool(self._lib.glue_moving())

    @property
    def zero(self) -> int:
        """Counts of the bridge without torque."""
        return int(self._lib.glue_zero())

    @property
    def lease_live(self) -> bool:
        """The line that follows the motion lease."""
        return bool(self._lib.glue_lease_live())

    def lease(self, *, live: bool) -> None:
        """What the core does with that line."""
        self._lib.glue_lease(live)

    def ready(self, *, ready: bool) -> None:
        """What a port shows as DRIVE_READY."""
        self._lib.glue_ready(ready)

    def switch(self, output: Output, *, on: bool) -> None:
        """Work a relay."""
        self._lib.glue_output(output, on)

    def fault(self, name: str, *, there: bool = True) -> None:
        """Make something go wrong, named as in the header, or right again."""
        self._lib.glue_fault(named()[name], there)

    def slow(self) -> list[float]:
        """All slow channels by number."""
        return [float(self._lib.glue_slow(number)) for number in range(7)]

    def set_rate(self, rate_hz: int) -> None:
        """What the core does for a SETUP."""
        self._lib.glue_set_rate(rate_hz)

    def restart(self, rate_hz: int) -> None:
        """The processor starts again."""
        self._lib.glue_restart(rate_hz)
