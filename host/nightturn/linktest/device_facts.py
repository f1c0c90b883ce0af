"""What a device says about itself, in names and words instead of numbers and bits."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntFlag

from nightturn.fixture.identity import failed_tests, text_of
from nightturn.model.device import load_pct
from nightturn.sentences.device_events import DeviceWords, device_event
from nightturn_protocol import messages as wire
from nightturn_protocol.names import name_of
from nightturn_protocol.sheet import DeviceSheet, digest_of

TORQUE_UNITS = ("V", "mV/V")
PATTERN = "pattern"

_TEXT_IN_JSON = re.compile(rb'"(?:[^"\\]|\\.)*"')


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """OPENED and the sheet.

    Attributes:
        firmware, board: version and serial.
        wire_host, wire_device: version of the wire that each side speaks.
        boot_id, reset_cause: of the boot that was met first.
        uptime_s: on the device's own clock, at OPEN.
        torque_min_counts, torque_max_counts: extremes since the OPEN before this one.
        digest, digest_agrees: as OPENED says it, and whether the sheet's bytes have it.
        sheet: the whole sheet.
    """

    firmware: str
    board: str
    wire_host: str
    wire_device: str
    boot_id: str
    reset_cause: str
    uptime_s: float
    tick_hz: int
    ring_bytes: int
    frame_bytes_max: int
    torque_min_counts: int
    torque_max_counts: int
    sheet_bytes: int
    digest: str
    digest_agrees: bool
    sheet: DeviceSheet


@dataclass(frozen=True, slots=True)
class Crash:
    """Where the firmware last crashed."""

    pc: str
    lr: str
    cause: int


@dataclass(frozen=True, slots=True)
class FirmwareFacts:
    """The answer to FWINFO; `failed_self_tests` are in words, `crash` is None when none is remembered."""

    build: str
    flash_crc: str
    config_hash: str
    failed_self_tests: tuple[str, ...]
    crash: Crash | None


@dataclass(frozen=True, slots=True)
class StateFacts:
    """The newest STATUS; `inputs` are those the sheet names, `cpu_pct` is None when the board does not measure it."""

    state: str
    lease: str
    inputs: dict[str, bool]
    outputs_on: tuple[str, ...]
    cpu_pct: int | None


def device_facts(opened: wire.Opened, sheet_bytes: bytes, sheet: DeviceSheet) -> DeviceFacts:
    """OPENED and sheet in words."""
    return DeviceFacts(
        firmware=text_of(opened.firmware),
        board=text_of(opened.board),
        wire_host=f"{wire.MAJOR}.{wire.MINOR}",
        wire_device=f"{wire.MAJOR}.{opened.minor}",
        boot_id=f"{opened.boot_id:08x}",
        reset_cause=name_of(wire.ResetCause, opened.reset_cause),
        uptime_s=opened.uptime_tick / sheet.tick_hz,
        tick_hz=opened.tick_hz,
        ring_bytes=opened.ring_bytes,
        frame_bytes_max=opened.frame_bytes_max,
        torque_min_counts=opened.torque_min,
        torque_max_counts=opened.torque_max,
        sheet_bytes=len(sheet_bytes),
        digest=f"{opened.digest:016x}",
        digest_agrees=digest_of(sheet_bytes) == opened.digest,
        sheet=sheet,
    )


def firmware_facts(reply: wire.FirmwareReply) -> FirmwareFacts:
    """Build, self-test and last crash in words."""
    crashed = any((reply.crash_pc, reply.crash_lr, reply.crash_cause))
    return FirmwareFacts(
        build=text_of(reply.build),
        flash_crc=f"{reply.flash_crc:08x}",
        config_hash=f"{reply.config_hash:08x}",
        failed_self_tests=tuple(failed_tests(reply.self_test)),
        crash=Crash(f"{reply.crash_pc:08x}", f"{reply.crash_lr:08x}", reply.crash_cause) if crashed else None,
    )


def state_facts(status: wire.Status, sheet: DeviceSheet) -> StateFacts:
    """State, lease, inputs and outputs by name."""
    bits = _bits(wire.Input)
    return StateFacts(
        state=name_of(wire.DeviceState, status.state),
        lease=name_of(wire.LeaseState, status.lease),
        inputs={name: bool(status.inputs & bits[name]) for name in sheet.inputs if name in bits},
        outputs_on=tuple(name_of(wire.Output, bit) for bit in range(8) if status.outputs >> bit & 1),
        cpu_pct=load_pct(status.cpu_pct),
    )


def event_text(event: wire.Event, sheet: DeviceSheet | None) -> str:
    """An event as a sentence, with its severity and number; in the sheet's names and units when there is one."""
    words = DeviceWords()
    if sheet is not None:
        slow = {channel.no: channel.name for channel in sheet.slow}
        words = DeviceWords(sheet.inputs, slow, sheet.torque_unit, float(sheet.torque_scale))
    severity = name_of(wire.Severity, event.severity)
    return f"{device_event(event, words)} ({severity}, number {event.event_no})"


def remarks_on(opened: wire.Opened, sheet_bytes: bytes, sheet: DeviceSheet) -> Iterator[str]:
    """What the sheet does not have as PROTOCOL.md section 9 wants it; the host can live with each."""
    if re.search(rb"\s", _TEXT_IN_JSON.sub(b"", sheet_bytes)):
        yield "the sheet has space between its tokens"
    if not _sorted_keys(sheet_bytes):
        yield "the keys of the sheet are not sorted"
    if not sheet_bytes.isascii():
        yield "the sheet has letters that are not ASCII"
    if PATTERN not in sheet.features:
        yield f"the sheet does not name the feature {PATTERN!r}, which every device has"
    if sheet.torque_unit not in TORQUE_UNITS:
        yield f"torque.unit is {sheet.torque_unit!r}; the host can use V and mV/V"
    unknown = [name for name in sheet.inputs if name not in _bits(wire.Input)]
    if unknown:
        yield f"inputs without a bit in the input word: {', '.join(unknown)}"
    odd = [rate for rate in sheet.rates_hz if sheet.tick_hz % rate]
    if odd:
        yield f"rates that do not divide tick_hz = {sheet.tick_hz}: {', '.join(map(str, odd))}"
    if opened.minor > wire.MINOR:
        yield f"the device's minor version {opened.minor} is newer than this host's {wire.MINOR}"


def stray_inputs(status: wire.Status, sheet: DeviceSheet) -> str:
    """The remark about bits of the input word that are set though the sheet does not name them, "" when none is."""
    bits = _bits(wire.Input)
    stray = status.inputs & ~sum(bits[name] for name in set(sheet.inputs) if name in bits)
    return f"the input word has bits set that the sheet does not name: {stray:#06x}" if stray else ""


def _bits(kind: type[IntFlag]) -> dict[str, int]:
    return {str(bit.name).lower(): bit.value for bit in kind}


def _sorted_keys(sheet_bytes: bytes) -> bool:
    found: list[bool] = []

    def pairs(items: list[tuple[str, object]]) -> None:
        keys = [key for key, _ in items]
        found.append(keys == sorted(keys))

    json.loads(sheet_bytes, object_pairs_hook=pairs)
    return all(found)
