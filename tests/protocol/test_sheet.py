"""The device sheet: what is read from it, and what is refused, saying where and what would be allowed."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.acquisition.fake_device import SHEET, SHEET_BYTES

from nightturn_protocol.errors import SheetError
from nightturn_protocol.messages import COUNTS_PER_REV_MAX, SHEET_BYTES_MAX, TICK_HZ_MAX, TICK_HZ_MIN
from nightturn_protocol.sheet import (
    NAME_ALLOWED,
    DeviceSheet,
    SlowChannel,
    canonical,
    digest_of,
    parse_sheet,
    torque_entry,
)

VOLTS = {"no": 1, "name": "supply", "unit": "V"}
DECIMAL = "a decimal number above 0, as text"


def without(path: str) -> bytes:
    """The good sheet with one key left out."""
    sheet: dict[str, Any] = json.loads(json.dumps(SHEET))
    *tables, key = path.split(".")
    inner = sheet
    for table in tables:
        inner = inner[table]
    del inner[key]
    return json.dumps(sheet).encode()


TORQUE: dict[str, object] = dict(json.loads(json.dumps(SHEET))["torque"])


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
        turns=0,
        rates_hz=(1000, 10000),
        slow=(SlowChannel(0, "bearing", "degC"), SlowChannel(1, "winding", "degC")),
        inputs=("guard_closed", "stop_chain_healthy"),
        features=("firmware", "outputs", "pattern"),
        speed_rad_per_s=7.0,
        torque_nm=20.0,
    )


def test_an_encoder_says_how_many_turns_it_tells_apart() -> None:
    assert parse_sheet(changed("encoder.turns", 64)).turns == 64


def test_a_channel_says_where_its_filter_ends() -> None:
    assert parse_sheet(SHEET_BYTES).filter_hz is None
    assert parse_sheet(SHEET_BYTES).filter_poles == 1
    one = parse_sheet(changed("torque.filter_hz", 400))
    assert (one.filter_hz, one.filter_poles) == (400.0, 1)
    torque = {**TORQUE, "filter_hz": 0.5, "filter_poles": 2}
    two = parse_sheet(changed("torque", torque))
    assert (two.filter_hz, two.filter_poles) == (0.5, 2)


@pytest.mark.parametrize(
    ("torque", "problem"),
    [
        ({"filter_hz": 0}, "torque.filter_hz: 0; allowed: a number above 0"),
        ({"filter_hz": "40"}, "torque.filter_hz: '40'; allowed: a number above 0"),
        ({"filter_hz": True}, "torque.filter_hz: True; allowed: a number above 0"),
        ({"filter_hz": 40, "filter_poles": 3}, "torque.filter_poles: 3; allowed: 1 to 2"),
        ({"filter_hz": 40, "filter_poles": 1.0}, "torque.filter_poles: 1.0; allowed: 1 to 2"),
        ({"filter_poles": 2}, "torque.filter_poles: without filter_hz; allowed: both, or neither"),
    ],
)
def test_a_filter_that_is_none_is_refused(torque: dict[str, object], problem: str) -> None:
    with pytest.raises(SheetError) as caught:
        parse_sheet(changed("torque", {**TORQUE, **torque}))
    assert str(caught.value) == problem


def test_keys_of_a_later_minor_version_are_ignored() -> None:
    assert parse_sheet(changed("colour", {"deep": [1, 2]})) == parse_sheet(SHEET_BYTES)


def test_the_digest_is_the_first_eight_bytes_of_the_sha_256_little_endian() -> None:
    # SHA-256 of "abc", one-block example of NIST to FIPS 180-4 (from memory): ba7816bf 8f01cfea ...
    assert digest_of(b"abc") == 0xEACF018FBF1678BA


REFUSED: list[tuple[bytes, str, str, str]] = [
    (b"", "line 1, column 1", "Expecting value", "JSON"),
    (b"[]", "top level", "[]", "an object"),
    (b"\xff\xfe{}", "byte 0", "not UTF-8", ""),
    (b"\xef\xbb\xbf{}", "line 1, column 1", "Unexpected UTF-8 BOM (decode using utf-8-sig)", "JSON"),
    (b'{"schema":1,"schema":1}', "'schema'", "this key occurs twice", "once in an object"),
    (b'{"schema":NaN}', "a number", "NaN", "a number that JSON allows"),
    (b" " * (SHEET_BYTES_MAX + 1), "size", "16385 bytes", "at most 16384"),
    (b"[" * 10_000, "nesting", "10000 deep", "at most 6"),
    (changed("colour", [[[[[[[1]]]]]]]), "nesting", "8 deep", "at most 6"),
    (changed("schema", 2), "schema", "2", "1"),
    (changed("tick_hz", 0), "tick_hz", "0", "1000 to 1000000000"),
    (changed("tick_hz", TICK_HZ_MAX + 1), "tick_hz", "1000000001", "1000 to 1000000000"),
    (changed("tick_hz", 1e6), "tick_hz", "1000000.0", "1000 to 1000000000"),
    (changed("tick_hz", True), "tick_hz", "True", "1000 to 1000000000"),
    (without("tick_hz"), "tick_hz", "missing", "1000 to 1000000000"),
    (changed("torque", 3), "torque", "3", "an object"),
    (without("torque"), "torque", "missing", "an object"),
    (changed("torque.bits", 32), "torque.bits", "32", "8 to 24"),
    (changed("torque.bits", 7), "torque.bits", "7", "8 to 24"),
    (changed("torque.scale", "many"), "torque.scale", "'many'", DECIMAL),
    (changed("torque.scale", "-1"), "torque.scale", "'-1'", DECIMAL),
    (changed("torque.scale", "nan"), "torque.scale", "'nan'", DECIMAL),
    (changed("torque.scale", 1e-6), "torque.scale", "1e-06", DECIMAL),
    (without("torque.scale"), "torque.scale", "missing", DECIMAL),
    (changed("encoder.counts_per_rev", -4), "encoder.counts_per_rev", "-4", "1 to 2147483648"),
    (changed("encoder.absolute", 1), "encoder.absolute", "1", "true or false"),
    (changed("encoder.turns", -1), "encoder.turns", "-1", "0 to 65536"),
    (changed("rates_hz", []), "rates_hz", "no entry", "1 to 64 sampling rates"),
    (without("rates_hz"), "rates_hz", "no entry", "1 to 64 sampling rates"),
    (changed("rates_hz", 1000), "rates_hz", "1000", "a list of at most 64"),
    (changed("rates_hz", [1000, 0]), "rates_hz[1]", "0", "1 to 1000000"),
    (changed("limits.torque_nm", 0), "limits.torque_nm", "0", "a number above 0"),
    (changed("limits.torque_nm", 10**400), "limits.torque_nm", f"1{'0' * 31}...", "a number above 0"),
    (changed("limits.speed_rad_per_s", "7"), "limits.speed_rad_per_s", "'7'", "a number above 0"),
    (changed("device", "n" * 33), "device", f"'{'n' * 31}...", NAME_ALLOWED),
    (changed("device", ""), "device", "''", NAME_ALLOWED),
    (changed("inputs", ["bell\x07"]), "inputs[0]", "'bell\\x07'", NAME_ALLOWED),
    (changed("inputs", ["\ud800"]), "inputs[0]", "'\\ud800'", NAME_ALLOWED),
    (changed("features", ["f"] * 65), "features", "65 entries", "a list of at most 64"),
    (changed("slow", [7]), "slow[0]", "7", "an object"),
    (changed("slow", [VOLTS, VOLTS]), "slow[1].no", "1 is used by an earlier channel", "different numbers"),
    (changed("slow", [{**VOLTS, "no": 256}]), "slow[0].no", "256", "0 to 255"),
    (changed("slow", [VOLTS, {"no": 2, "unit": "V"}]), "slow[1].name", "missing", NAME_ALLOWED),
]


@pytest.mark.parametrize(
    ("sheet", "where", "what", "allowed"),
    REFUSED,
    ids=[f"{where}: {what[:16]}" for _, where, what, _ in REFUSED],
)
def test_a_sheet_that_cannot_be_used_is_refused_with_place_value_and_what_is_allowed(
    sheet: bytes, where: str, what: str, allowed: str
) -> None:
    with pytest.raises(SheetError) as caught:
        parse_sheet(sheet)
    assert (caught.value.where, caught.value.what, caught.value.allowed) == (where, what, allowed)
    assert str(caught.value) == (f"{where}: {what}; allowed: {allowed}" if allowed else f"{where}: {what}")


def test_a_number_of_thousands_of_digits_is_refused() -> None:
    with pytest.raises(SheetError, match=r"^a number: Exceeds the limit"):
        parse_sheet(SHEET_BYTES.replace(b"1000000", b"1" * 5000))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("tick_hz", TICK_HZ_MIN),
        ("tick_hz", TICK_HZ_MAX),
        ("torque.bits", 8),
        ("torque.bits", 24),
        ("encoder.counts_per_rev", COUNTS_PER_REV_MAX),
        ("rates_hz", [1] * 64),
        ("device", "n" * 32),
        ("limits.torque_nm", 20),
        ("slow", [{**VOLTS, "no": 255}]),
    ],
)
def test_a_value_on_a_bound_is_taken(path: str, value: object) -> None:
    parse_sheet(changed(path, value))


def test_lists_that_may_be_missing_are_empty() -> None:
    sheet = parse_sheet(without("slow"))
    assert sheet.slow == ()
    assert parse_sheet(without("features")).features == parse_sheet(without("inputs")).inputs == ()


def test_the_canonical_form_is_sorted_without_spaces_and_reads_alike() -> None:
    text = json.dumps(dict(reversed(SHEET.items())), indent=2)
    assert canonical(text) == SHEET_BYTES.rstrip()
    assert parse_sheet(canonical(text)) == parse_sheet(SHEET_BYTES)


def test_the_canonical_form_of_no_sheet_is_refused() -> None:
    with pytest.raises(SheetError, match="schema: missing; allowed: 1"):
        canonical("{}")


def test_a_torque_table_alone_gives_its_scale_as_a_number() -> None:
    table = json.dumps(SHEET["torque"])
    assert torque_entry(table) == {"bits": 24, "unit": "V", "scale": 1.1920928955078125e-06}
    assert torque_entry(table.encode()) == torque_entry(table)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("{", "line 1, column 2"),
        (b"\xff", "byte 0: not UTF-8"),
        ("[]", r"torque: \[\]; allowed: an object"),
        (
            '{"bits":24,"unit":"V","scale":1.0}',
            "torque.scale: 1.0; allowed: a decimal number above 0, as text",
        ),
        ('{"bits":24,"scale":"1.0"}', "torque.unit: missing"),
    ],
)
def test_a_torque_table_that_is_none_is_refused(table: str | bytes, words: str) -> None:
    with pytest.raises(SheetError, match=words):
        torque_entry(table)


def test_brackets_inside_texts_are_not_depth() -> None:
    assert parse_sheet(changed("features", ['[[[[[[[["\\'])).features == ('[[[[[[[["\\',)


@given(st.binary(max_size=200))
def test_any_bytes_are_a_sheet_or_a_mismatch(sheet: bytes) -> None:
    with pytest.raises(SheetError):
        parse_sheet(sheet)


@given(st.integers(0, len(SHEET_BYTES) - 1), st.integers(0, 255))
def test_one_wrong_byte_never_raises_anything_else(position: int, byte: int) -> None:
    sheet = SHEET_BYTES[:position] + bytes([byte]) + SHEET_BYTES[position + 1 :]
    try:
        parsed = parse_sheet(sheet)
    except SheetError:
        return
    assert 8 <= parsed.torque_bits <= 24
    assert parsed.rates_hz
