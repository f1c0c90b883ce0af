"""sheet.py, and the plant's board: what the header carries, the JSON says and the C constants mean the same."""

import ctypes
import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.device.build import DEVICE
from tests.device.plant import COUNTS_PER_NM, COUNTS_PER_REV, library, named

from device import sheet
from nightturn_protocol.messages import SHEET_BYTES_MAX, Input, Output
from nightturn_protocol.sheet import DeviceSheet, parse_sheet

PLANT = DEVICE / "ports" / "plant"
BOARD_VALUES = (
    "tick_hz",
    "features",
    "outputs",
    "inputs",
    "slow_channels",
    "rail_low",
    "rail_high",
    "trip_counts",
)
FEATURE_BITS = {"drive": 1, "outputs": 2, "firmware": 4, "extremes": 8}  # NT_FEATURE_ of nt_port.h


def content() -> dict[str, Any]:
    """What stands in plant.json, to be spoilt."""
    read: dict[str, Any] = json.loads((PLANT / "plant.json").read_text(encoding="utf-8"))
    return read


def carried() -> tuple[bytes, int]:
    """Sheet and digest as the board of the plant has them."""
    size, digest = ctypes.c_uint32(), ctypes.c_uint64()
    start = library().glue_sheet(ctypes.byref(size), ctypes.byref(digest))
    return bytes(start[: size.value]), digest.value


def board() -> dict[str, int]:
    """Constants of nt_plant_board."""
    values, limits = (ctypes.c_int64 * len(BOARD_VALUES))(), (ctypes.c_float * 3)()
    library().glue_board(values, limits)
    return dict(zip(BOARD_VALUES, values, strict=True))


def limits() -> list[float]:
    """Speed, torque and winding temperature of nt_plant_board."""
    values, found = (ctypes.c_int64 * len(BOARD_VALUES))(), (ctypes.c_float * 3)()
    library().glue_board(values, found)
    return list(found)


def plant_sheet() -> DeviceSheet:
    return parse_sheet(carried()[0])


def test_the_committed_header_is_what_the_board_file_gives(tmp_path: Path) -> None:
    made = tmp_path / "nt_plant_sheet.h"
    assert sheet.main([str(PLANT / "plant.json"), str(made)]) == 0
    assert made.read_text(encoding="utf-8") == (PLANT / "nt_plant_sheet.h").read_text(encoding="utf-8")


def test_the_board_carries_the_canonical_text_and_its_digest() -> None:
    text, digest = carried()
    assert json.loads(text) == content()
    assert text == json.dumps(content(), sort_keys=True, separators=(",", ":")).encode()
    assert digest == int.from_bytes(hashlib.sha256(text).digest()[:8], "little")


def test_rates_tick_and_features_of_board_and_sheet_are_the_same() -> None:
    found = (ctypes.c_uint32 * 32)()
    rates = list(found[: library().glue_rates(found)])
    told = plant_sheet()
    assert sorted(rates) == list(told.rates_hz)
    assert rates[0] == 1000  # at power-on
    assert all(told.tick_hz % rate == 0 for rate in rates)
    assert board()["tick_hz"] == told.tick_hz
    bits = sum(bit for name, bit in FEATURE_BITS.items() if name in told.features)
    assert board()["features"] == bits
    assert board()["outputs"] == sum(1 << output for output in Output)


def test_limits_of_board_and_sheet_are_the_same() -> None:
    told = plant_sheet()
    speed, torque, winding = limits()
    assert speed == pytest.approx(told.speed_rad_per_s, rel=1e-7)
    assert torque == told.torque_nm == named()["RATED_UNM"] * 1e-6
    assert winding == named()["WINDING_DEGC_MAX"]
    trip_nm = board()["trip_counts"] / COUNTS_PER_NM
    assert trip_nm > torque + named()["SHUNT_UNM"] * 1e-6  # a shunt check under load is no trip


def test_converter_encoder_inputs_and_channels_of_board_and_sheet_are_the_same() -> None:
    told = plant_sheet()
    span = 1 << told.torque_bits
    assert (board()["rail_low"], board()["rail_high"]) == (-span // 2, span // 2 - 1)
    nm_per_v = 4.0
    assert 1 / (float(told.torque_scale) * nm_per_v) == pytest.approx(COUNTS_PER_NM, rel=1e-12)
    assert told.counts_per_rev == COUNTS_PER_REV
    wired = sum(Input[name.upper()] for name in told.inputs)
    assert board()["inputs"] & ~wired == 0
    assert [channel.no for channel in told.slow] == list(range(board()["slow_channels"]))
    enum = (PLANT / "nt_plant.h").read_text(encoding="utf-8").split("enum nt_plant_slow {")[1].split("}")[0]
    names = [line.strip(" ,").removeprefix("NT_PLANT_SLOW_").lower() for line in enum.strip().splitlines()]
    assert [channel.name for channel in told.slow] == names[:-1]


SPOILT: list[tuple[dict[str, Any], str]] = [
    ({"rates_hz": [1000, 333]}, "rates_hz[1]: 333; allowed: divisors of tick_hz = 1000000"),
    (
        {"features": ["drive"]},
        "features: pattern is missing; allowed: a list with pattern, which every device has",
    ),
    (
        {"features": ["pattern", "teleport"]},
        "features[1]: 'teleport'; allowed: drive, extremes, firmware, outputs, pattern",
    ),
    ({"inputs": ["guard_shut"]}, "inputs[0]: 'guard_shut'; allowed: guard_closed, "),
    ({"tick_hz": 7}, "tick_hz: 7; allowed: 1000 to 1000000000"),
    ({"schema": 2}, "schema: 2; allowed: 1"),
    (
        {"limits": {"speed_rad_per_s": 0.0, "torque_nm": 1.0}},
        "limits.speed_rad_per_s: 0.0; allowed: a number above 0",
    ),
    (
        {"torque": {"bits": 24, "unit": "V", "scale": "much"}},
        "torque.scale: 'much'; allowed: a decimal number above 0, as text",
    ),
    ({"device": "n" * 33}, f"device: '{'n' * 31}...; allowed: 1 to 32 printable characters"),
    ({"note": "x" * SHEET_BYTES_MAX}, f" bytes; allowed: at most {SHEET_BYTES_MAX}"),
]


@pytest.mark.parametrize(
    ("change", "why"), SPOILT, ids=lambda value: value[:24] if isinstance(value, str) else ""
)
def test_a_board_file_that_no_host_would_accept_is_refused_with_its_reason(
    change: dict[str, Any], why: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong, made = tmp_path / "wrong.json", tmp_path / "nt_wrong_sheet.h"
    wrong.write_text(json.dumps(content() | change))
    assert sheet.main([str(wrong), str(made)]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"{wrong}: ")
    assert why in said
    assert not made.exists()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('{"schema" 1}', "line 1, column 11: "),
        ('{"schema": 1, "schema": 1}', "'schema': this key occurs twice; allowed: once in an object"),
        ("[]", "top level: []; allowed: an object"),
        ("{}", "schema: missing; allowed: 1"),
    ],
)
def test_a_file_that_is_no_sheet_at_all_says_where(
    text: str, why: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "wrong.json").write_text(text)
    assert sheet.main([str(tmp_path / "wrong.json"), str(tmp_path / "nt_wrong.h")]) == 2
    assert why in capsys.readouterr().err


def test_a_header_needs_a_name_that_c_can_use_and_a_board_file_that_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sheet.main([str(PLANT / "plant.json"), str(tmp_path / "nt-sheet.h")]) == 2
    assert "'nt-sheet' is no name for C" in capsys.readouterr().err
    assert sheet.main([str(tmp_path / "none.json"), str(tmp_path / "nt_none.h")]) == 2
    assert "No such file" in capsys.readouterr().err


def test_the_header_is_made_where_there_is_no_host(tmp_path: Path) -> None:
    made = tmp_path / "nt_plant_sheet.h"
    bare = [
        sys.executable,
        "-S",
        str(DEVICE / "sheet.py"),
        str(PLANT / "plant.json"),
        str(made),
    ]  # no packages

    subprocess.run(bare, check=True, env={"PYTHONPATH": str(DEVICE.parent)})

    assert made.read_bytes() == (PLANT / "nt_plant_sheet.h").read_bytes()


def test_letters_beyond_ascii_reach_the_wire_as_utf_8() -> None:
    text = json.dumps(content() | {"device": "Prüfstand"}, ensure_ascii=False)
    assert "Prüfstand".encode() in sheet.canonical(text)
