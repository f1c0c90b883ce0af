"""Families of orders and strokes of stored nights: lines, frame and terminal, and what is said where nothing can be read."""

import json
from pathlib import Path

import msgspec
import pytest
from tests.cli.terminal import too_wide, typed
from tests.fixture.test_rolling import with_curves
from tests.storage.scenario import FIXTURE, cycle_record
from tests.storage.store import Night
from tests.unit_history.test_earlier_stored import RUN, SAMPLES, opened

import nightturn
from nightturn.model.records import Emit
from nightturn.model.rows import CYCLES, STROKES, StrokeRow
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import of_opened, write_manifest
from nightturn.unit_history.frame import ORDER_COLUMNS
from nightturn.unit_history.life import life_of
from nightturn.unit_history.rolling import followed_of, lines_of

COUNT, STROKES_EACH = 40, 4


def stored(root: Path, cycles: int = COUNT) -> None:
    night, rows = Night(root, RUN), []
    write_manifest(RealFiles(root), of_opened(FIXTURE, opened(RUN), "1.0"))
    plain = [
        msgspec.structs.replace(cycle_record(number), run=RUN, direction=1) for number in range(1, cycles + 1)
    ]
    for record in with_curves(plain):
        for at in range(STROKES_EACH):
            sign = 1 if at % 2 else -1
            torque = sign * (0.2 + 1e-4 * record.cycle_no + 1e-5 * at)
            stroke = StrokeRow(
                record.ts_start + 1,
                0,
                record.cycle_no,
                at + 1,
                sign,
                0,
                1,
                torque,
                1.5 * torque,
                abs(torque),
                None,
            )
            rows.append(Emit(STROKES, stroke))
        rows.append(Emit(CYCLES, record))
    night.add_chunk(SAMPLES, rows=rows)


def test_each_series_has_level_and_slope_and_strokes_are_called_indicative(tmp_path: Path) -> None:
    stored(tmp_path)
    lines = {
        (each.estimate.figure, each.estimate.direction): each
        for each in lines_of(followed_of(tmp_path, life_of(tmp_path, "Q-0121")))
    }
    slots = lines["slot_orders_nm", 1]
    rate = slots.estimate.rate("strokes")
    assert rate is not None
    assert rate.slope > rate.half
    assert not slots.indicative
    assert slots.text.endswith("(40 blocks of 1 cycle)")
    strokes = lines["stroke_mean_nm", -1]
    assert strokes.indicative
    rate = strokes.estimate.rate("strokes")
    assert rate is not None
    assert rate.slope == pytest.approx(-1e-4 / STROKES_EACH, rel=0.02)
    assert "no trend, " in lines["pole_orders_nm", 1].text


def test_the_frame_has_a_row_for_each_block(tmp_path: Path) -> None:
    stored(tmp_path)
    frame = nightturn.history(tmp_path, unit="Q-0121", orders=True)
    assert tuple(frame.columns) == ORDER_COLUMNS
    assert len(frame[(frame["figure"] == "slot_orders_nm") & (frame["direction"] == 1)]) == COUNT
    assert set(frame["figure"][frame["indicative"]]) == {"stroke_mean_nm", "stroke_peak_nm", "stroke_rms_nm"}
    assert frame.attrs["unknown"] == []


def test_the_terminal_and_json_show_the_same_numbers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path)
    code, out, _ = typed(["history", str(tmp_path), "--unit", "Q-0121", "--orders"], capsys)
    assert (code, too_wide(out)) == (0, [])
    assert "Q-0121: orders at multiples of the slots" in out
    assert "strokes, mean torque, indicative" in out
    told = json.loads(typed(["history", str(tmp_path), "--unit", "Q-0121", "--orders", "--json"], capsys).out)
    slots = next(each for each in told["orders"] if each["estimate"]["figure"] == "slot_orders_nm")
    assert slots["estimate"]["blocks"] == COUNT
    assert (told["unit"], told["unknown"]) == ("Q-0121", [])


def test_a_unit_without_a_cycle_says_that_there_is_nothing_to_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, cycles=0)
    out = typed(["history", str(tmp_path), "--unit", "Q-0121", "--orders"], capsys).out
    assert "Q-0121: no stored curves or strokes to read" in out
