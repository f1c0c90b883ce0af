"""The drivers of protocol/device/drivers for tests: the library, and the structs that cross the border to it.

`NT_DRIVERS` names another build of the library, so that the same tests can run under the sanitizers.
"""

import ctypes
import functools
import os
from collections.abc import Callable
from ctypes import (
    CFUNCTYPE,
    POINTER,
    Structure,
    c_bool,
    c_char,
    c_float,
    c_int8,
    c_int32,
    c_int64,
    c_size_t,
    c_uint8,
    c_uint16,
    c_uint32,
    c_uint64,
    c_void_p,
)
from typing import Any, ClassVar

from tests.device.build import built

INPUTS_MAX = 16
COMMAND_BYTES_MAX = 16
DEFAULT_BUILD = "drivers.so"

WRITE = CFUNCTYPE(None, c_void_p, c_bool)
ASK = CFUNCTYPE(c_bool, c_void_p)
DO = CFUNCTYPE(None, c_void_p)
TICK = CFUNCTYPE(c_uint64, c_void_p)
TRANSFER = CFUNCTYPE(None, c_void_p, POINTER(c_uint8), POINTER(c_uint8), c_size_t)
SEND = CFUNCTYPE(None, c_void_p, POINTER(c_uint8), c_size_t)
DRIVE_OFF = CFUNCTYPE(None, c_void_p, c_uint8, c_float)
SET_OUTPUT = CFUNCTYPE(None, c_void_p, c_uint8, c_bool)
SLOW = CFUNCTYPE(c_float, c_void_p, c_uint8)


class QuadratureConfig(Structure):
    _fields_: ClassVar = [
        ("tick_hz", c_uint32),
        ("counts_per_rev", c_uint32),
        ("counts_per_s_max", c_uint32),
        ("index_tolerance", c_uint32),
        ("hold_ticks", c_uint32),
        ("counter_bits", c_uint8),
    ]


class QuadratureReading(Structure):
    _fields_: ClassVar = [
        ("tick", c_uint64),
        ("count", c_uint32),
        ("index_count", c_uint32),
        ("index", c_bool),
        ("blind", c_bool),
    ]


class Quadrature(Structure):
    _fields_: ClassVar = [
        ("config", POINTER(QuadratureConfig)),
        ("counts", c_int64),
        ("tick", c_uint64),
        ("count", c_uint32),
        ("too_fast", c_uint32),
        ("slips", c_uint32),
        ("index_at", c_int64),
        ("referenced", c_bool),
        ("started", c_bool),
        ("faulty", c_bool),
        ("direction", c_int8),
        ("fault_tick", c_uint64),
        ("lost_ticks", c_uint64),
    ]


class InputsConfig(Structure):
    _fields_: ClassVar = [
        ("wired", c_uint16),
        ("active_low", c_uint16),
        ("needed", c_uint16),
        ("against", c_uint16),
        ("steady", c_uint8 * INPUTS_MAX),
    ]


class Inputs(Structure):
    _fields_: ClassVar = [
        ("config", POINTER(InputsConfig)),
        ("word", c_uint16),
        ("lasted", c_uint8 * INPUTS_MAX),
    ]


class LeaseOutputAccess(Structure):
    _fields_: ClassVar = [("context", c_void_p), ("write", WRITE), ("read", ASK)]


class LeaseOutputConfig(Structure):
    _fields_: ClassVar = [("half_period_ticks", c_uint32), ("settle_ticks", c_uint32)]


class LeaseOutput(Structure):
    _fields_: ClassVar = [
        ("config", POINTER(LeaseOutputConfig)),
        ("access", POINTER(LeaseOutputAccess)),
        ("edge_tick", c_uint64),
        ("edges", c_uint32),
        ("late_edges", c_uint32),
        ("mismatches", c_uint32),
        ("live", c_bool),
        ("high", c_bool),
        ("faulty", c_bool),
    ]


class AdcRegister(Structure):
    _fields_: ClassVar = [
        ("address", c_uint8),
        ("bytes", c_uint8),
        ("value", c_uint32),
        ("compare", c_uint32),
    ]


class AdcRate(Structure):
    _fields_: ClassVar = [("rate_hz", c_uint32), ("bits", c_uint32)]


class AdcCommand(Structure):
    _fields_: ClassVar = [("count", c_uint8), ("bytes", c_uint8 * COMMAND_BYTES_MAX)]

    @classmethod
    def of(cls, content: bytes) -> "AdcCommand":
        return cls(len(content), (c_uint8 * COMMAND_BYTES_MAX)(*content))


class AdcPart(Structure):
    _fields_: ClassVar = [
        ("registers", POINTER(AdcRegister)),
        ("rates", POINTER(AdcRate)),
        ("register_count", c_uint8),
        ("rate_count", c_uint8),
        ("write_opcode", c_uint8),
        ("read_opcode", c_uint8),
        ("address_shift", c_uint8),
        ("counted", c_bool),
        ("reset", AdcCommand),
        ("stop", AdcCommand),
        ("start", AdcCommand),
        ("read", AdcCommand),
        ("offset_binary", c_bool),
        ("status_bytes", c_uint8),
        ("status_fault_mask", c_uint8),
        ("rate_register", c_uint8),
        ("burnout_register", c_uint8),
        ("rate_mask", c_uint32),
        ("burnout_mask", c_uint32),
        ("burnout_bits", c_uint32),
        ("burnout_counts", c_uint32),
        ("open_counts", c_uint32),
        ("open_conversions", c_uint16),
        ("settle_conversions", c_uint16),
        ("silent_conversions", c_uint16),
        ("reset_us", c_uint32),
        ("jitter_ticks", c_uint32),
    ]


class AdcLatch(Structure):
    _fields_: ClassVar = [
        ("tick", c_uint64),
        ("count", c_uint32),
        ("index_count", c_uint32),
        ("pins", c_uint16),
        ("index", c_bool),
        ("blind", c_bool),
    ]


class AdcConversion(Structure):
    _fields_: ClassVar = [("latch", AdcLatch), ("torque", c_int32), ("status", c_uint8), ("flags", c_uint16)]


LATCH = CFUNCTYPE(None, c_void_p, POINTER(AdcLatch))


class AdcAccess(Structure):
    _fields_: ClassVar = [
        ("context", c_void_p),
        ("tick_hz", c_uint32),
        ("latch", LATCH),
        ("transfer", TRANSFER),
        ("ready", ASK),
        ("interrupt", WRITE),
        ("reset", DO),
    ]


class AdcMismatch(Structure):
    _fields_: ClassVar = [("wanted", c_uint32), ("seen", c_uint32), ("address", c_uint8)]


class AdcHead(Structure):
    """struct nt_adc without its queue."""

    _fields_: ClassVar = [
        ("part", POINTER(AdcPart)),
        ("access", POINTER(AdcAccess)),
        ("state", c_uint32),
        ("faults", c_uint8),
        ("starts", c_uint8),
        ("discard", c_uint16),
        ("at_rail", c_uint16),
        ("rate_hz", c_uint32),
        ("due_tick", c_uint64),
        ("heard_tick", c_uint64),
        ("timed", c_bool),
        ("restarts", c_uint32),
        ("missed_edges", c_uint32),
        ("overrun_seen", c_uint32),
        ("mismatch", AdcMismatch),
        ("glitches", c_uint32),
        ("overrun", c_uint32),
        ("put", c_uint16),
        ("taken", c_uint16),
    ]


class Motion(Structure):
    _fields_: ClassVar = [
        ("travel_counts", c_int64),
        ("setpoint", c_float),
        ("speed_limit", c_float),
        ("ramp", c_float),
        ("axis", c_uint8),
        ("mode", c_uint8),
    ]


DRIVE = CFUNCTYPE(None, c_void_p, POINTER(Motion))


class ExampleAccess(Structure):
    _fields_: ClassVar = [
        ("context", c_void_p),
        ("adc", AdcAccess),
        ("lease", LeaseOutputAccess),
        ("tick", TICK),
        ("line_idle", ASK),
        ("line_send", SEND),
        ("drive", DRIVE),
        ("drive_off", DRIVE_OFF),
        ("moving", ASK),
        ("set_output", SET_OUTPUT),
        ("slow", SLOW),
        ("feed_watchdog", DO),
        ("reset_cause", c_uint8),
        ("entropy", c_uint32),
        ("image", POINTER(c_uint8)),
        ("image_bytes", c_uint32),
    ]


MIRRORED: tuple[type[Structure], ...] = (
    QuadratureConfig,
    QuadratureReading,
    Quadrature,
    InputsConfig,
    Inputs,
    LeaseOutputAccess,
    LeaseOutputConfig,
    LeaseOutput,
    AdcRegister,
    AdcRate,
    AdcCommand,
    AdcPart,
    AdcLatch,
    AdcConversion,
    AdcAccess,
    AdcMismatch,
    Motion,
    ExampleAccess,
)
"""In the order of nt_probe_sizes in drivers_probe.c."""

ADC_QUEUE_AT, ADC_BYTES, EXAMPLE_DEVICE_AT, EXAMPLE_BYTES, KEEP_BYTES = range(
    len(MIRRORED), len(MIRRORED) + 5
)
PROBED = len(MIRRORED) + 5

BOOL_RESULTS = (
    "nt_quadrature_follows",
    "nt_lease_output_poll",
    "nt_adc_begin",
    "nt_adc_take",
    "nt_adc_is_blind",
)
WORD_RESULTS = ("nt_quadrature_take", "nt_quadrature_inputs", "nt_inputs_take")
TICKED = (
    "nt_lease_output_init",
    "nt_lease_output_set",
    "nt_lease_output_poll",
    "nt_adc_begin",
    "nt_adc_poll",
)


@functools.cache
def library() -> ctypes.CDLL:
    """The library under test, with what its functions take and give."""
    lib = ctypes.CDLL(str(built(os.environ.get("NT_DRIVERS", DEFAULT_BUILD))))
    for name in BOOL_RESULTS:
        getattr(lib, name).restype = c_bool
    for name in WORD_RESULTS:
        getattr(lib, name).restype = c_uint16
    pointer = c_void_p
    lib.nt_lease_output_init.argtypes = [pointer, pointer, pointer, c_uint64]
    lib.nt_lease_output_set.argtypes = [pointer, c_bool, c_uint64]
    lib.nt_lease_output_poll.argtypes = [pointer, c_uint64]
    lib.nt_adc_begin.argtypes = [pointer, c_uint32, c_uint64]
    lib.nt_adc_poll.argtypes = [pointer, c_uint64]
    lib.nt_inputs_take.argtypes = [pointer, c_uint16]
    lib.nt_quadrature_follows.argtypes = [pointer, c_uint32]
    lib.example_received.argtypes = [pointer, c_uint8]
    return lib


def sizes() -> list[int]:
    """What the compiler made of the structs, in bytes: `MIRRORED`, then the places named above."""
    return list((c_size_t * PROBED).in_dll(library(), "nt_probe_sizes"))


def zeroed(place: int) -> "ctypes.Array[c_char]":
    """Memory for a struct that is not mirrored, by its place in `sizes()`; a multiple of its alignment."""
    return ctypes.create_string_buffer(sizes()[place])


def callback(kind: Any, function: Callable[..., Any]) -> Any:
    """A C function pointer; whoever gets it must keep it."""
    return kind(function)
