"""The device sheet: canonical JSON in which a device names its channels, units, scales, rates and features."""

import hashlib
import math

import msgspec

from nightturn.errors import DeviceMismatchError
from nightturn_protocol.messages import SHEET_BYTES_MAX

SCHEMA = 1
DEPTH_MAX = 6
NAME_CHARS_MAX = 32
LIST_MAX = 64


class SlowChannel(msgspec.Struct, frozen=True):
    """A slow channel: its number on the wire, its name and unit."""

    no: int
    name: str
    unit: str


class DeviceSheet(msgspec.Struct, frozen=True):
    """What a device says about itself.

    `torque_scale` is the value of one count in `torque_unit` as the decimal text of the sheet. `speed_rad_per_s`
    and `torque_nm` are the device's own limits on what it may be told.
    """

    device: str
    tick_hz: int
    torque_bits: int
    torque_unit: str
    torque_scale: str
    counts_per_rev: int
    absolute: bool
    rates_hz: tuple[int, ...]
    slow: tuple[SlowChannel, ...]
    inputs: tuple[str, ...]
    features: tuple[str, ...]
    speed_rad_per_s: float
    torque_nm: float


class _Torque(msgspec.Struct):
    bits: int
    unit: str
    scale: str


class _Encoder(msgspec.Struct):
    counts_per_rev: int
    absolute: bool


class _Limits(msgspec.Struct):
    speed_rad_per_s: float
    torque_nm: float


class _Sheet(msgspec.Struct):
    """The JSON as it stands; keys of a later minor version are ignored."""

    device: str
    tick_hz: int
    torque: _Torque
    encoder: _Encoder
    rates_hz: tuple[int, ...]
    limits: _Limits
    schema: int
    slow: tuple[SlowChannel, ...] = ()
    inputs: tuple[str, ...] = ()
    features: tuple[str, ...] = ()


# Made on import: two threads that make the first decoder of a type at once crash the interpreter.
_sheet_of = msgspec.json.Decoder(_Sheet).decode


def digest_of(sheet: bytes) -> int:
    """The first 8 bytes of the SHA-256, little-endian: how OPENED names a sheet."""
    return int.from_bytes(hashlib.sha256(sheet).digest()[:8], "little")


def parse_sheet(sheet: bytes) -> DeviceSheet:
    """Read a sheet.

    Raises:
        DeviceMismatchError: too long, too deep, not JSON, or a value out of its range; the text says which.
    """
    if len(sheet) > SHEET_BYTES_MAX:
        raise DeviceMismatchError(
            f"the device sheet has {len(sheet)} bytes, at most {SHEET_BYTES_MAX} are allowed"
        )
    depth = _depth(sheet)
    if depth > DEPTH_MAX:
        raise DeviceMismatchError(f"the device sheet is nested {depth} deep, at most {DEPTH_MAX} are allowed")
    try:
        raw = _sheet_of(sheet)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise DeviceMismatchError(f"the device sheet cannot be read: {error}") from error
    problem = _names_problem(raw) or _values_problem(raw)
    if problem:
        raise DeviceMismatchError(f"the device sheet cannot be used: {problem}")
    return DeviceSheet(
        device=raw.device,
        tick_hz=raw.tick_hz,
        torque_bits=raw.torque.bits,
        torque_unit=raw.torque.unit,
        torque_scale=raw.torque.scale,
        counts_per_rev=raw.encoder.counts_per_rev,
        absolute=raw.encoder.absolute,
        rates_hz=raw.rates_hz,
        slow=raw.slow,
        inputs=raw.inputs,
        features=raw.features,
        speed_rad_per_s=raw.limits.speed_rad_per_s,
        torque_nm=raw.limits.torque_nm,
    )


def torque_entry(torque: str | bytes) -> dict[str, object]:
    """The torque table of a sheet, as JSON, in the form that calibration takes: its scale a number.

    Raises:
        DeviceMismatchError: it is none.
    """
    try:
        entry = msgspec.json.decode(torque, type=_Torque)
        return {"bits": entry.bits, "unit": entry.unit, "scale": float(entry.scale)}
    except ValueError as error:
        raise DeviceMismatchError(f"the torque table of a device sheet cannot be read: {error}") from error


def _depth(sheet: bytes) -> int:
    """Deepest nesting of brackets outside strings."""
    deepest = depth = 0
    in_text = escaped = False
    for byte in sheet:
        if in_text:
            if escaped:
                escaped = False
            elif byte == 0x5C:  # backslash
                escaped = True
            else:
                in_text = byte != 0x22  # quotation mark
        elif byte == 0x22:
            in_text = True
        elif byte in b"[{":
            depth += 1
            deepest = max(deepest, depth)
        elif byte in b"]}":
            depth -= 1
    return deepest


def _names_problem(raw: _Sheet) -> str | None:
    names = [raw.device, raw.torque.unit, *raw.inputs, *raw.features]
    for channel in raw.slow:
        names += [channel.name, channel.unit]
    for name in names:
        if not 1 <= len(name) <= NAME_CHARS_MAX or not name.isprintable():
            return f"{name[:NAME_CHARS_MAX]!r} is not a name of 1 to {NAME_CHARS_MAX} printable characters"
    for title, entries in (("slow", raw.slow), ("inputs", raw.inputs), ("features", raw.features)):
        if len(entries) > LIST_MAX:
            return f"{title} has {len(entries)} entries, at most {LIST_MAX} are allowed"
    numbers = [channel.no for channel in raw.slow]
    if len(set(numbers)) != len(numbers) or not all(0 <= number <= 255 for number in numbers):
        return "the slow channels must have different numbers from 0 to 255"
    return None


def _values_problem(raw: _Sheet) -> str | None:
    if raw.schema != SCHEMA:
        return f"it has schema {raw.schema}, this host reads {SCHEMA}"
    ranges = (
        ("tick_hz", raw.tick_hz, 1_000, 1_000_000_000),
        ("torque.bits", raw.torque.bits, 8, 24),
        ("encoder.counts_per_rev", raw.encoder.counts_per_rev, 1, 1 << 31),
        ("number of rates_hz", len(raw.rates_hz), 1, LIST_MAX),
        *(("rates_hz", rate, 1, 1_000_000) for rate in raw.rates_hz),
    )
    for title, value, low, high in ranges:
        if not low <= value <= high:
            return f"{title} is {value}, allowed is {low} to {high}"
    try:
        scale = float(raw.torque.scale)
    except ValueError:
        return f"torque.scale is {raw.torque.scale[:NAME_CHARS_MAX]!r}, not a decimal number"
    positive = (
        ("torque.scale", scale),
        ("limits.speed_rad_per_s", raw.limits.speed_rad_per_s),
        ("limits.torque_nm", raw.limits.torque_nm),
    )
    for title, number in positive:
        if not (math.isfinite(number) and number > 0):
            return f"{title} is {number}, it must be positive"
    return None
