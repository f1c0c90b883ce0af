"""Maps of change: no change is bare paper, growth is inked on a scale that is the same for every unit."""

import zlib
from base64 import b64decode
from datetime import UTC

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.pictures.drawing import SVG, check_any, parsed

from nightturn.model.clocks import NS_PER_S
from nightturn.pictures.change_map import (
    by_angle,
    draw_angle_map,
    draw_order_map,
    in_cells,
    joined,
    order_change_db,
)
from nightturn.pictures.image import png_address
from nightturn.pictures.picture import Picture

CYCLES, POINTS = 20, 1024
TS = (1_795_820_788 + 190 * np.arange(CYCLES, dtype=np.int64)) * NS_PER_S


def pixels(picture: Picture) -> npt.NDArray[np.uint8]:
    """The raster of a map (rows, columns, 4), read back as any reader of PNG does it for filter type 0."""
    image = next(parsed(picture).iter(f"{SVG}image"))
    return decoded(image.get("href", ""))


def decoded(address: str) -> npt.NDArray[np.uint8]:
    content = b64decode(address.removeprefix("data:image/png;base64,"))
    assert content.startswith(b"\x89PNG\r\n\x1a\n")
    parts, at = {}, 8
    while at < len(content):
        size, kind = int.from_bytes(content[at : at + 4], "big"), content[at + 4 : at + 8]
        body = content[at + 8 : at + 8 + size]
        assert int.from_bytes(content[at + 8 + size : at + 12 + size], "big") == zlib.crc32(kind + body)
        parts[kind] = body
        at += 12 + size
    width, height = (int.from_bytes(parts[b"IHDR"][each : each + 4], "big") for each in (0, 4))
    rows = np.frombuffer(zlib.decompress(parts[b"IDAT"]), np.uint8).reshape(height, 1 + 4 * width)
    assert not rows[:, 0].any()
    return rows[:, 1:].reshape(height, width, 4)


def test_what_the_whole_turn_shares_is_bare_paper() -> None:
    friction = 0.09 + np.linspace(0, 0.03, CYCLES)[:, None] + np.zeros((CYCLES, POINTS))
    picture = draw_angle_map(by_angle(friction, 3, np.ones(len(friction), np.int64)), TS, 0.015, 3, UTC)
    check_any(picture)
    assert not pixels(picture)[..., 3].any()
    assert "no angle differs" in picture.description


def test_cycles_are_compared_with_those_that_began_the_same_way() -> None:
    began = np.where(np.arange(CYCLES) % 2, 1, -1)
    friction = np.full((CYCLES, POINTS), 0.09)
    friction[began > 0, 100:110] += 0.004
    assert np.nanmax(np.abs(by_angle(friction, 4, began))) < 1e-12
    assert np.nanmax(by_angle(friction, 1, began)) == pytest.approx(0.004)  # the first hour has but one way


def test_growth_at_one_angle_is_inked_there_and_from_then_on() -> None:
    friction = np.full((CYCLES, POINTS), 0.09)
    friction[12:, 250:262] += 0.015
    picture = draw_angle_map(by_angle(friction, 3, np.ones(len(friction), np.int64)), TS, 0.015, 3, UTC)
    inked = pixels(picture)[..., 3]
    rows, columns = np.nonzero(inked)
    assert rows.min() == 12
    assert set(columns.tolist()) <= {62, 63, 64, 65}
    assert inked.max() == 255
    assert "friction has grown most at 89.3°" in picture.description


def test_a_cycle_without_a_turn_is_an_empty_row() -> None:
    friction = np.full((CYCLES, POINTS), 0.09)
    friction[5] = np.nan
    picture = draw_angle_map(by_angle(friction, 3, np.ones(len(friction), np.int64)), TS, 0.015, 3, UTC)
    check_any(picture)
    assert ("not measured", "not measured") in {row[1:] for row in picture.rows}


@given(values=st.lists(st.floats(-3, 3), min_size=4, max_size=40))
def test_an_opacity_is_the_size_of_the_change_and_less_is_striped(values: list[float]) -> None:
    strength = np.array([values])
    found = decoded(png_address(strength))[0]
    for at, (value, pixel) in enumerate(zip(values, found.tolist(), strict=True)):
        bare = value < 0 and at % 3 == 0
        assert pixel[3] == (0 if bare else round(min(abs(value), 1.0) * 255))


def test_cells_are_means_of_what_was_measured() -> None:
    values = np.arange(2 * 8, dtype=np.float64).reshape(2, 8)
    values[0, :2] = np.nan
    assert in_cells(values, 4) == pytest.approx(
        np.array([[np.nan, 2.5, 4.5, 6.5], [8.5, 10.5, 12.5, 14.5]]), nan_ok=True
    )


def test_an_order_that_is_new_is_held_against_the_noise_it_was_hidden_in() -> None:
    amplitude, floor = np.full((CYCLES, 40), 1e-5), np.full((CYCLES, 40), 1e-4)
    amplitude[10:, 9] = 1e-3
    change = order_change_db(amplitude, floor, 3)
    assert change[-1, 9] == pytest.approx(20.0)
    assert np.isnan(change[:, 8]).all()
    picture = draw_order_map(amplitude, floor, TS, 3, UTC)
    check_any(picture)
    assert "Grown by more than 6 dB at the end: orders 10." in picture.description


def test_one_loud_cycle_is_no_change_of_an_order() -> None:
    amplitude, floor = np.full((CYCLES, 40), 1e-3), np.full((CYCLES, 40), 1e-4)
    amplitude[10, 9] = 1e-1
    assert order_change_db(amplitude, floor, 3)[:, 9] == pytest.approx(np.zeros(CYCLES))


def test_curves_of_another_length_are_left_empty() -> None:
    found = joined([np.ones(4), np.ones(3), np.ones(4)])
    assert np.isnan(found[1]).all()
    assert found[[0, 2]].tolist() == [[1.0] * 4] * 2
