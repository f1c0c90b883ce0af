"""The C core as Python sees it: one shared library, in the build that NIGHTTURN_HARNESS names."""

import ctypes
import os
from functools import cache
from typing import Any

from tests.device.build import built
from tests.protocol.vector_files import ROOM

import generate
from generator.definition import Definition, Field, snake
from nightturn_protocol.messages import WIRE_BYTES_MAX

RING_BYTES = 8192  # as harness.mk builds it
RING_BLOCKS = 64
BUILDS = {"": "harness.so", "sanitized": "harness-sanitized.so", "coverage": "coverage/harness.so"}
SCALARS: dict[str, Any] = {
    "u8": ctypes.c_uint8,
    "u16": ctypes.c_uint16,
    "u32": ctypes.c_uint32,
    "u64": ctypes.c_uint64,
    "i32": ctypes.c_int32,
    "i64": ctypes.c_int64,
    "f32": ctypes.c_float,
}


class Call(ctypes.Structure):
    """`struct h_call`."""

    _fields_ = (
        ("travel_counts", ctypes.c_int64),
        ("setpoint", ctypes.c_double),
        ("speed_limit", ctypes.c_double),
        ("ramp", ctypes.c_double),
        ("what", ctypes.c_uint32),
        ("which", ctypes.c_uint32),
        ("on", ctypes.c_uint32),
        ("mode", ctypes.c_uint32),
    )


class Deframer(ctypes.Structure):
    """`struct nt_deframer`."""

    COUNTERS = ("frames", "bad_cobs", "bad_crc", "undersize", "oversize", "torn")
    _fields_ = (
        *((name, ctypes.c_uint32) for name in COUNTERS),
        ("held", ctypes.c_uint16),
        ("in_step", ctypes.c_bool),
        ("discarding", ctypes.c_bool),
        ("piece", ctypes.c_uint8 * WIRE_BYTES_MAX),
    )


class Ring(ctypes.Structure):
    """`struct nt_ring`."""

    class Slot(ctypes.Structure):
        _fields_ = (("at", ctypes.c_uint32), ("bytes", ctypes.c_uint16))

    _fields_ = (
        ("oldest_seq", ctypes.c_uint32),
        ("next_seq", ctypes.c_uint32),
        ("next_send", ctypes.c_uint32),
        ("overwritten_unsent", ctypes.c_uint32),
        ("high_water", ctypes.c_uint32),
        ("waiting", ctypes.c_uint32),
        ("used", ctypes.c_uint32),
        ("head", ctypes.c_uint32),
        ("slots", Slot * RING_BLOCKS),
        ("bytes", ctypes.c_uint8 * RING_BYTES),
    )


class Keep(ctypes.Structure):
    """`struct nt_keep`."""

    NAMES = ("magic", "boots", "fault", "crash_pc", "crash_lr", "crash_cause", "crc")
    _fields_ = tuple((name, ctypes.c_uint32) for name in NAMES)


class Boot(ctypes.Structure):
    """`struct nt_boot`."""

    _fields_ = (
        ("boot_id", ctypes.c_uint32),
        ("self_test", ctypes.c_uint32),
        ("flash_crc", ctypes.c_uint32),
        ("config_hash", ctypes.c_uint32),
        ("crash_pc", ctypes.c_uint32),
        ("crash_lr", ctypes.c_uint32),
        ("crash_cause", ctypes.c_uint32),
        ("reset_cause", ctypes.c_uint8),
    )


class Rx(ctypes.Structure):
    """`struct nt_rx`."""

    BYTES, STAMPS = 2048, 32
    _fields_ = (
        ("put", ctypes.c_uint16),
        ("taken", ctypes.c_uint16),
        ("stamp_put", ctypes.c_uint16),
        ("stamp_taken", ctypes.c_uint16),
        ("overrun", ctypes.c_uint32),
        ("bytes", ctypes.c_uint8 * BYTES),
        ("stamps", ctypes.c_uint64 * STAMPS),
    )


class Pair(ctypes.Structure):
    """`struct nt_pair`."""

    _fields_ = (("number", ctypes.c_uint8), ("value", ctypes.c_float))


MIRRORED: dict[str, type[ctypes.Structure]] = {
    "nt_deframer": Deframer,
    "nt_ring": Ring,
    "nt_keep": Keep,
    "nt_boot": Boot,
    "nt_rx": Rx,
    "h_call": Call,
}
_U8P = ctypes.c_char_p
_SIZE = ctypes.c_size_t
_VOID = ctypes.c_void_p
_TYPES: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "h_new": (_VOID, ()),
    "h_free": (None, (_VOID,)),
    "h_size": (_SIZE, (_U8P,)),
    "h_board": (ctypes.c_bool, (_VOID, _U8P, ctypes.c_double)),
    "h_has": (ctypes.c_bool, (_U8P,)),
    "h_get": (ctypes.c_uint64, (_VOID, _U8P)),
    "h_set": (None, (_VOID, _U8P, ctypes.c_uint64)),
    "h_sheet": (None, (_VOID, _U8P, ctypes.c_uint32, ctypes.c_uint64)),
    "h_firmware": (None, (_VOID, _U8P)),
    "h_limit": (None, (_VOID, ctypes.c_uint8, ctypes.c_float)),
    "h_slow": (None, (_VOID, ctypes.c_uint8, ctypes.c_float)),
    "h_start": (None, (_VOID, ctypes.c_uint32, ctypes.c_uint8, ctypes.c_uint32, ctypes.c_uint64)),
    "h_receive": (None, (_VOID, _U8P, _SIZE, ctypes.c_uint64)),
    "h_poll": (None, (_VOID, ctypes.c_uint64)),
    "h_sample": (
        None,
        (_VOID, ctypes.c_uint64, ctypes.c_int32, ctypes.c_int64, ctypes.c_uint16, ctypes.c_uint16),
    ),
    "h_advance": (None, (_VOID, ctypes.c_uint64)),
    "h_torque_at": (ctypes.c_int32, (ctypes.c_uint64,)),
    "h_encoder_at": (ctypes.c_int64, (ctypes.c_uint64,)),
    "h_next": (_SIZE, (_VOID, ctypes.c_uint64, _U8P)),
    "h_call": (ctypes.c_bool, (_VOID, ctypes.c_uint32, ctypes.POINTER(Call))),
    "h_broken": (_U8P, (_VOID,)),
    "h_self_test": (ctypes.c_uint32, (_VOID,)),
    "h_forbidden": (ctypes.c_bool, (_VOID,)),
    "h_checkin": (ctypes.c_bool, (ctypes.POINTER(ctypes.c_uint8), ctypes.c_uint8)),
    "h_blind": (None, (_VOID, ctypes.c_uint64)),
    "h_note": (None, (_VOID, ctypes.c_uint32, ctypes.c_uint32, ctypes.c_uint8)),
    "nt_crc32c": (ctypes.c_uint32, (ctypes.c_uint32, _U8P, _SIZE)),
    "nt_cobs_encode": (_SIZE, (_U8P, _U8P, _SIZE)),
    "nt_cobs_decode": (ctypes.c_bool, (_U8P, ctypes.POINTER(_SIZE), _U8P, _SIZE)),
    "nt_frame_close": (_SIZE, (_U8P, _U8P, _SIZE)),
    "nt_deframer_init": (None, (ctypes.POINTER(Deframer),)),
    "nt_deframer_byte": (_SIZE, (ctypes.POINTER(Deframer), ctypes.c_uint8)),
    "nt_ring_init": (None, (ctypes.POINTER(Ring),)),
    "nt_ring_empty": (None, (ctypes.POINTER(Ring),)),
    "nt_ring_push": (None, (ctypes.POINTER(Ring), _U8P, _SIZE)),
    "nt_ring_has_unsent": (ctypes.c_bool, (ctypes.POINTER(Ring),)),
    "nt_ring_send_next": (_SIZE, (ctypes.POINTER(Ring), _U8P)),
    "nt_ring_again": (_SIZE, (ctypes.POINTER(Ring), ctypes.c_uint32, _U8P)),
    "nt_keep_fault": (None, (ctypes.POINTER(Keep), ctypes.c_uint8, *(ctypes.c_uint32,) * 3)),
    "nt_keep_boot": (
        None,
        (ctypes.POINTER(Keep), ctypes.c_uint8, ctypes.c_uint32, ctypes.POINTER(Boot)),
    ),
    "nt_rx_init": (None, (ctypes.POINTER(Rx),)),
    "nt_rx_put": (None, (ctypes.POINTER(Rx), ctypes.c_uint8, ctypes.c_uint64)),
    "nt_rx_take": (_SIZE, (ctypes.POINTER(Rx), _U8P, _SIZE, ctypes.POINTER(ctypes.c_uint64))),
    "nt_pattern_torque": (ctypes.c_int32, (ctypes.c_uint64,)),
    "nt_pattern_encoder": (ctypes.c_int64, (ctypes.c_uint64,)),
}


@cache
def core() -> Any:
    """The library with its types declared; every struct that is mirrored here has the size it has in C."""
    library = ctypes.CDLL(str(built(BUILDS[os.environ.get("NIGHTTURN_HARNESS", "")])))
    for name, (result, arguments) in _TYPES.items():
        function = getattr(library, name)
        function.restype, function.argtypes = result, arguments
    for name, mirror in MIRRORED.items():
        assert library.h_size(name.encode()) == ctypes.sizeof(mirror), name
    return library


@cache
def definition() -> Definition:
    """The definition of the wire."""
    return generate.load(ROOM / "definition.toml")


def _member(field: Field) -> list[tuple[str, Any]]:
    if field.is_bytes:
        return [(field.name, ctypes.c_uint8 * field.size)]
    if field.type == "rest":
        return [(field.name, ctypes.POINTER(ctypes.c_uint8)), (f"{field.name}_bytes", ctypes.c_uint16)]
    if field.type == "pairs":
        most = definition().limit("slow_channels_max")
        return [(field.name, Pair * most), (f"{field.name}_count", ctypes.c_uint8)]
    return [(field.name, SCALARS[field.type])]


@cache
def struct_of(kind: int) -> Any:
    """`struct nt_<message>` of a kind, made from the definition; its size is compared with C's."""
    (message,) = (message for message in definition().messages if message.kind == kind)
    members = [member for field in message.fields for member in _member(field)]
    made = type(f"Nt{message.name}", (ctypes.Structure,), {"_fields_": members})
    size = getattr(core(), f"h_size_{snake(message.name)}")
    size.restype = _SIZE
    assert size() == ctypes.sizeof(made), message.name
    return made
