"""The device sheet: what is read from it, and what is refused with which words."""

import hashlib
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.acquisition.fake_device import SHEET, SHEET_BYTES

from nightturn.acquisition.sheet import DeviceSheet, SlowChannel, digest_of, parse_sheet
from nightturn.errors import DeviceMismatchError


def changed(path: str, value: object) -> bytes:
    """The good sheet with one value replaced."""
    sheet: dict[str, Any] = json.loads(json.dumps(SHEET))
    *tables, key = path.split(".")
    inner = sheet
    for table in tables:
        inner = inner[table]
    inner[key] = value
    return json.dumps(sheet).encode()


def test_a_sheet_is_read_into_plain_values() -> None:
    assert parse_sheet(SHEET_BYTES) == DeviceSheet(
        device="quillfen board",
        tick_hz=1_000_000,
        torque_bits=24,
        torque_unit="V",
        torque_scale="1.1920928955078125e-06",
        counts_per_rev=1048576,
        absolute=True,
        rates_hz=(1000, 10000),
        slow=(SlowChannel(0, "bearing", "degC"), SlowChannel(1, "winding", "degC")),
        inputs=("guard_closed", "stop_chain_healthy"),
        features=("firmware", "outputs", "pattern"),
        speed_rad_per_s=7.0,
        torque_nm=20.0,
    )


def test_keys_of_a_later_minor_version_are_ignored() -> None:
    assert parse_sheet(changed("colour", {"deep": [1, 2]})) == parse_sheet(SHEET_BYTES)


def test_the_digest_is_the_first_eight_bytes_of_the_sha_256_little_endian() -> None:
    # SHA-256 of "abc", FIPS 180-4 example: ba7816bf 8f01cfea ...
    assert digest_of(b"abc") == 0xEACF018FBF1678BA
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea")


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (b"", "cannot be read"),
        (b"[]", "cannot be read"),
        (b"\xff\xfe{}", "cannot be read"),
        (b" " * 16385, "16385 bytes"),
        (b"[" * 10_000, "nested 10000 deep"),
        (changed("colour", [[[[[[[1]]]]]]]), "nested 8 deep"),
        (changed("schema", 2), "schema 2"),
        (changed("tick_hz", 0), "tick_hz is 0"),
        (changed("torque.bits", 32), "torque.bits is 32"),
        (changed("torque.scale", "many"), "not a decimal number"),
        (changed("torque.scale", "-1"), "must be positive"),
        (changed("torque.scale", "nan"), "must be positive"),
        (changed("torque.scale", 1e-6), "cannot be read"),
        (changed("encoder.counts_per_rev", -4), "counts_per_rev is -4"),
        (changed("rates_hz", []), "number of rates_hz is 0"),
        (changed("rates_hz", [0]), "rates_hz is 0"),
        (changed("limits.torque_nm", 0), "torque_nm is 0"),
        (changed("device", "n" * 33), "not a name"),
        (changed("device", ""), "not a name"),
        (changed("inputs", ["bell\x07"]), "not a name"),
        (changed("features", ["f"] * 65), "65 entries"),
        (changed("slow", [{"no": 1, "name": "a", "unit": "V"}] * 2), "different numbers"),
        (changed("slow", [{"no": 256, "name": "a", "unit": "V"}]), "different numbers"),
    ],
)
def test_a_sheet_that_cannot_be_used_is_refused_with_its_reason(sheet: bytes, words: str) -> None:
    with pytest.raises(DeviceMismatchError, match=words):
        parse_sheet(sheet)


def test_brackets_inside_texts_are_not_depth() -> None:
    assert parse_sheet(changed("features", ['[[[[[[[["\\'])).features == ('[[[[[[[["\\',)


@given(st.binary(max_size=200))
def test_any_bytes_are_a_sheet_or_a_mismatch(sheet: bytes) -> None:
    with pytest.raises(DeviceMismatchError):
        parse_sheet(sheet)


@given(st.integers(0, len(SHEET_BYTES) - 1), st.integers(0, 255))
def test_one_wrong_byte_never_raises_anything_else(position: int, byte: int) -> None:
    sheet = SHEET_BYTES[:position] + bytes([byte]) + SHEET_BYTES[position + 1 :]
    try:
        parsed = parse_sheet(sheet)
    except DeviceMismatchError:
        return
    assert 8 <= parsed.torque_bits <= 24
    assert parsed.rates_hz
