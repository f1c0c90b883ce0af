"""The device sheet: canonical JSON in which a device names its channels, units, scales, rates and features.

PROTOCOL.md section 9 in code. A host reads what a device sends with `parse_sheet`; the tool that makes a board's header
holds the board's file against the same rules before anybody flashes it.
"""

import hashlib
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Never

from nightturn_protocol.errors import SheetError
from nightturn_protocol.messages import (
    COUNTS_PER_REV_MAX,
    FILTER_POLES_MAX,
    RATE_HZ_MAX,
    SHEET_BYTES_MAX,
    SHEET_DEPTH_MAX,
    SHEET_LIST_MAX,
    SHEET_NAME_CHARS_MAX,
    SHEET_SCHEMA,
    SLOW_CHANNEL_NO_MAX,
    TICK_HZ_MAX,
    TICK_HZ_MIN,
    TORQUE_BITS_MAX,
    TORQUE_BITS_MIN,
    TURNS_MAX,
)

SHOWN_CHARS_MAX = 32  # of a value in an error: the device chose it, and may have chosen a megabyte
NAME_ALLOWED = f"1 to {SHEET_NAME_CHARS_MAX} printable characters"


@dataclass(frozen=True, slots=True)
class SlowChannel:
    """A slow channel: its number on the wire, its name and unit."""

    no: int
    name: str
    unit: str


@dataclass(frozen=True, slots=True)
class DeviceSheet:
    """What a device says about itself.

    `turns` is how many turns of the shaft, after any gear, the encoder tells apart after its power was off; 0 = not stated.
    `torque_scale` is the value of one count in `torque_unit` as the decimal text of the sheet. `speed_rad_per_s`
    and `torque_nm` are the device's own limits on what it may be told. `filter_hz` is the corner of the low-pass before the
    converter and `filter_poles` how many poles it has; None where the sheet states no corner.
    """

    device: str
    tick_hz: int
    torque_bits: int
    torque_unit: str
    torque_scale: str
    counts_per_rev: int
    absolute: bool
    turns: int
    rates_hz: tuple[int, ...]
    slow: tuple[SlowChannel, ...]
    inputs: tuple[str, ...]
    features: tuple[str, ...]
    speed_rad_per_s: float
    torque_nm: float
    filter_hz: float | None = None
    filter_poles: int = 1


def digest_of(sheet: bytes) -> int:
    """The first 8 bytes of the SHA-256, little-endian: how OPENED names a sheet."""
    return int.from_bytes(hashlib.sha256(sheet).digest()[:8], "little")


def canonical(text: str) -> bytes:
    """A sheet as the wire carries it: sorted keys, no spaces, UTF-8.

    Raises:
        SheetError: not JSON, or nothing that `parse_sheet` takes.
    """
    content = _decoded(text)
    sheet = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    parse_sheet(sheet)
    return sheet


def parse_sheet(sheet: bytes) -> DeviceSheet:
    """Read a sheet; keys of a later minor version are ignored.

    Raises:
        SheetError: too long, too deep, not JSON, or a value out of its range; it says where, and what is allowed.
    """
    if len(sheet) > SHEET_BYTES_MAX:
        raise SheetError("size", f"{len(sheet)} bytes", f"at most {SHEET_BYTES_MAX}")
    depth = _depth(sheet)
    if depth > SHEET_DEPTH_MAX:
        raise SheetError("nesting", f"{depth} deep", f"at most {SHEET_DEPTH_MAX}")
    try:
        text = sheet.decode()
    except UnicodeDecodeError as error:
        raise SheetError(f"byte {error.start}", "not UTF-8") from error
    top = _table("top level", "", _decoded(text))
    top.integer("schema", SHEET_SCHEMA, SHEET_SCHEMA)
    encoder, limits = top.table("encoder"), top.table("limits")
    torque = top.table("torque")
    bits, unit, scale = _torque(torque)
    filter_hz, filter_poles = _filter(torque)
    return DeviceSheet(
        device=top.name("device"),
        tick_hz=top.integer("tick_hz", TICK_HZ_MIN, TICK_HZ_MAX),
        torque_bits=bits,
        torque_unit=unit,
        torque_scale=scale,
        counts_per_rev=encoder.integer("counts_per_rev", 1, COUNTS_PER_REV_MAX),
        absolute=encoder.boolean("absolute"),
        turns=encoder.integer("turns", 0, TURNS_MAX) if "turns" in encoder.content else 0,
        rates_hz=_rates(top),
        slow=_slow(top),
        inputs=top.names("inputs"),
        features=top.names("features"),
        speed_rad_per_s=limits.positive("speed_rad_per_s"),
        torque_nm=limits.positive("torque_nm"),
        filter_hz=filter_hz,
        filter_poles=filter_poles,
    )


def torque_entry(text: str | bytes) -> dict[str, object]:
    """The torque table of a sheet, as JSON, in the form that calibration takes: its scale a number.

    Raises:
        SheetError: it is none.
    """
    try:
        content = _decoded(text if isinstance(text, str) else text.decode())
    except UnicodeDecodeError as error:
        raise SheetError(f"byte {error.start}", "not UTF-8") from error
    bits, unit, scale = _torque(_table("torque", "torque.", content))
    return {"bits": bits, "unit": unit, "scale": float(scale)}


@dataclass(frozen=True, slots=True)
class _Table:
    """One object of the sheet; `path` is what its keys are called behind, such as `torque.`."""

    path: str
    content: dict[str, object]

    def value(self, key: str, allowed: str) -> tuple[str, object]:
        where = self.path + key
        if key not in self.content:
            raise SheetError(where, "missing", allowed)
        return where, self.content[key]

    def table(self, key: str) -> "_Table":
        where, found = self.value(key, "an object")
        return _table(where, f"{where}.", found)

    def integer(self, key: str, low: int, high: int) -> int:
        return _integer(*self.value(key, _span(low, high)), low, high)

    def positive(self, key: str) -> float:
        allowed = "a number above 0"
        where, found = self.value(key, allowed)
        if isinstance(found, bool) or not isinstance(found, int | float):
            raise SheetError(where, _shown(found), allowed)
        try:
            number = float(found)
        except OverflowError:
            number = math.inf
        if not (math.isfinite(number) and number > 0):
            raise SheetError(where, _shown(found), allowed)
        return number

    def boolean(self, key: str) -> bool:
        where, found = self.value(key, "true or false")
        if not isinstance(found, bool):
            raise SheetError(where, _shown(found), "true or false")
        return found

    def name(self, key: str) -> str:
        return _name(*self.value(key, NAME_ALLOWED))

    def names(self, key: str) -> tuple[str, ...]:
        return tuple(_name(where, found) for where, found in self.entries(key))

    def entries(self, key: str) -> Iterator[tuple[str, object]]:
        """What stands in a list, each with its place; a list that is not there is empty."""
        found = self.content.get(key, [])
        allowed = f"a list of at most {SHEET_LIST_MAX}"
        if not isinstance(found, list):
            raise SheetError(self.path + key, _shown(found), allowed)
        if len(found) > SHEET_LIST_MAX:
            raise SheetError(self.path + key, f"{len(found)} entries", allowed)
        for number, entry in enumerate(found):
            yield f"{self.path}{key}[{number}]", entry


def _torque(table: _Table) -> tuple[int, str, str]:
    """Bits, unit and scale. The scale stays text, so that no reader rounds it."""
    where, scale = table.value("scale", "a decimal number above 0, as text")
    try:
        number = float(scale) if isinstance(scale, str) else math.nan
    except ValueError:
        number = math.nan
    if not isinstance(scale, str) or not (math.isfinite(number) and number > 0):
        raise SheetError(where, _shown(scale), "a decimal number above 0, as text")
    return table.integer("bits", TORQUE_BITS_MIN, TORQUE_BITS_MAX), table.name("unit"), scale


def _filter(table: _Table) -> tuple[float | None, int]:
    """Corner and poles of the low-pass before the converter; poles alone mean nothing."""
    corner_hz = table.positive("filter_hz") if "filter_hz" in table.content else None
    if "filter_poles" not in table.content:
        return corner_hz, 1
    if corner_hz is None:
        raise SheetError("torque.filter_poles", "without filter_hz", "both, or neither")
    return corner_hz, table.integer("filter_poles", 1, FILTER_POLES_MAX)


def _rates(top: _Table) -> tuple[int, ...]:
    rates = tuple(_integer(where, found, 1, RATE_HZ_MAX) for where, found in top.entries("rates_hz"))
    if not rates:
        raise SheetError("rates_hz", "no entry", f"1 to {SHEET_LIST_MAX} sampling rates")
    return rates


def _slow(top: _Table) -> tuple[SlowChannel, ...]:
    channels: list[SlowChannel] = []
    for where, found in top.entries("slow"):
        table = _table(where, f"{where}.", found)
        number = table.integer("no", 0, SLOW_CHANNEL_NO_MAX)
        if any(number == earlier.no for earlier in channels):
            raise SheetError(f"{where}.no", f"{number} is used by an earlier channel", "different numbers")
        channels.append(SlowChannel(number, table.name("name"), table.name("unit")))
    return tuple(channels)


def _table(where: str, path: str, found: object) -> _Table:
    if not isinstance(found, dict):
        raise SheetError(where, _shown(found), "an object")
    return _Table(path, found)


def _integer(where: str, found: object, low: int, high: int) -> int:
    if isinstance(found, bool) or not isinstance(found, int) or not low <= found <= high:
        raise SheetError(where, _shown(found), _span(low, high))
    return found


def _name(where: str, found: object) -> str:
    if not isinstance(found, str) or not 1 <= len(found) <= SHEET_NAME_CHARS_MAX or not found.isprintable():
        raise SheetError(where, _shown(found), NAME_ALLOWED)
    return found


def _span(low: int, high: int) -> str:
    return str(low) if low == high else f"{low} to {high}"


def _shown(found: object) -> str:
    text = ascii(found)
    return text if len(text) <= SHOWN_CHARS_MAX else f"{text[:SHOWN_CHARS_MAX]}..."


# from bytes to JSON


def _decoded(text: str) -> object:
    """JSON without what JSON leaves to chance: NaN, and a key that stands there twice."""
    try:
        return json.loads(text, object_pairs_hook=_without_doubles, parse_constant=_no_number)
    except json.JSONDecodeError as error:
        raise SheetError(f"line {error.lineno}, column {error.colno}", error.msg, "JSON") from error
    except RecursionError as error:
        raise SheetError("nesting", "too deep to read", f"at most {SHEET_DEPTH_MAX}") from error
    except ValueError as error:  # an integer of thousands of digits
        raise SheetError("a number", str(error), "JSON") from error


def _without_doubles(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """An object; a key that stands there twice would lose one of its values in silence."""
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise SheetError(_shown(twice), "this key occurs twice", "once in an object")
    return found


def _no_number(text: str) -> Never:
    raise SheetError("a number", text, "a number that JSON allows")


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
