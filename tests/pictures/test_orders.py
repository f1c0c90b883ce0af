"""Orders over what noise alone could make."""

import dataclasses
import math

import numpy as np
import pytest
from tests.pictures.drawing import SVG, check_any, parsed, texts

from nightturn.pictures.accepted import Accepted
from nightturn.pictures.orders import FIELD, Family, draw_orders

FLOOR = np.full(300, 1e-4)


def amplitudes(**orders: float) -> np.ndarray:
    found = np.full(300, 5e-5)
    for name, value in orders.items():
        found[int(name[1:]) - 1] = value
    return found


def test_what_lies_in_the_noise_is_not_drawn() -> None:
    picture = draw_orders(amplitudes(o32=1e-2, o36=2e-3), FLOOR, None, [Family("poles", 32)])
    check_any(picture)
    assert len(list(parsed(picture).iter(f"{SVG}circle"))) == 2
    assert picture.description.startswith(
        "2 orders of the hold lie above the noise; the largest is order 32, 10 mN·m peak."
    )
    assert [row[0] for row in picture.rows] == ["32", "36"]


def test_the_field_is_where_noise_alone_comes_once_in_a_thousand() -> None:
    """The squared amplitude of an order in white noise is exponentially distributed: P(A > x rms) = exp(-x²); a Rayleigh amplitude
    (J. S. Bendat, A. G. Piersol, Random Data, 4th ed., Wiley 2010, section 3.2; from memory)."""
    assert math.exp(-(FIELD**2)) == pytest.approx(1e-3)
    rng = np.random.default_rng(3)
    noise = rng.standard_normal((4000, 64))
    peak = np.abs(np.fft.rfft(noise, axis=1)[:, 5]) * 2 / 64
    rms = math.sqrt(np.mean(peak**2))
    share = float(np.mean(peak > FIELD * rms))
    assert 0 < share < 3e-3


def test_an_order_that_doubled_is_plum_and_named() -> None:
    first = amplitudes(o32=1e-2)
    picture = draw_orders(amplitudes(o10=3e-3, o32=1e-2), FLOOR, first, [Family("outer race", 10.01)])
    assert "10" in [words for words in texts(picture) if words.isdigit()]
    assert "At least doubled since the first hour: orders 10." in picture.description
    assert "outer race 10.01" in texts(picture)


def test_with_a_single_turn_nothing_is_said_of_noise() -> None:
    picture = draw_orders(amplitudes(o32=1e-2), np.empty(0), None, [])
    check_any(picture)
    assert "With one turn nothing is known of the noise." in picture.caption
    assert {row[3] for row in picture.rows} == {"not known"}


def test_nothing_but_noise_says_so() -> None:
    picture = draw_orders(amplitudes(), FLOOR, None, [])
    assert picture.description == "No order of the hold lies above the noise."
    assert picture.rows == ()


def test_orders_above_those_of_accepted_units_are_named() -> None:
    amplitude = np.full(64, 1e-6)
    amplitude[[9, 35]] = 1e-3
    band = Accepted(np.full(64, 1e-4), np.full(64, 2e-3), "what 6 accepted units showed")
    inside = draw_orders(amplitude, np.full(64, 1e-5), None, [], accepted=band)
    check_any(inside)
    assert inside.description.endswith("None is above what 6 accepted units showed.")
    lower = dataclasses.replace(band, high_nm=np.full(64, 5e-4))
    above = draw_orders(amplitude, np.full(64, 1e-5), None, [], accepted=lower)
    assert above.description.endswith("Above what 6 accepted units showed: orders 10, 36.")
