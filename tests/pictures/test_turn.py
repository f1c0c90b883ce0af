"""One turn: what is drawn lies where the scale says, and the worst angle is named only where it is one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.pictures.drawing import SVG, check_any, parsed, points, texts

from nightturn.pictures.accepted import Accepted
from nightturn.pictures.turn import Turned, angles_deg, draw_lens, draw_turn, smoothed, worst_angle

POINTS = 1024
ANGLE = angles_deg(POINTS)


def turned(
    friction_nm: float = 0.1, *, zero_nm: float = 0.02, bump_nm: float = 0.0, at_deg: float = 100.0
) -> Turned:
    """A turn with that friction all over it, and more at one angle."""
    near = np.abs((ANGLE - at_deg + 180) % 360 - 180)
    friction = friction_nm + bump_nm * np.exp(-((near / 4.0) ** 2))
    cogging = 0.01 * np.sin(np.radians(ANGLE) * 288)
    return Turned(zero_nm + friction + cogging, zero_nm - friction + cogging)


def test_the_lines_lie_where_their_scale_says() -> None:
    picture = draw_turn(turned(), None, friction_nm=0.1, zero_nm=0.02, cogging_order=288)
    check_any(picture)
    thick = [line for line in points(picture, "forward") if len(line) == POINTS]
    assert len(thick) == 1
    heights = {y for _, y in thick[0]}
    assert max(heights) - min(heights) <= 0.2  # without its teeth the line is level
    # forward 0.12, back -0.08 and zero 0.02 N·m: zero lies halfway
    back = next(line for line in points(picture, "back") if len(line) == POINTS)
    zero = next(
        line for line in points(picture, "soft") if len(line) == 2 and abs(line[0][1] - line[1][1]) < 0.1
    )
    assert zero[0][1] == pytest.approx((thick[0][0][1] + back[0][1]) / 2, abs=0.2)


def test_the_gap_names_twice_the_friction_and_the_friction() -> None:
    picture = draw_turn(turned(), None, friction_nm=0.1, zero_nm=None, cogging_order=288)
    assert "gap 200 mN·m = 2 × friction 100 mN·m" in texts(picture)
    assert "Half the gap is the friction, 100 mN·m." in picture.description


def test_without_a_friction_no_gap_is_named() -> None:
    picture = draw_turn(turned(), None, friction_nm=None, zero_nm=None, cogging_order=288)
    assert not any("gap" in words for words in texts(picture))


def test_the_worst_angle_is_found_with_how_much_of_it_is_new() -> None:
    worst = worst_angle(turned(bump_nm=0.05, at_deg=123.0), turned(), 144)
    assert worst is not None
    assert worst.angle_deg == pytest.approx(123.0, abs=1.0)
    assert worst.grown_nm == pytest.approx(0.05, rel=0.03)
    assert worst.others == 0


def test_places_as_wide_are_counted() -> None:
    first = turned()
    bumps = sum(
        0.05 * np.exp(-(((((ANGLE - at + 180) % 360) - 180) / 4.0) ** 2)) for at in (20.0, 140.0, 260.0)
    )
    now = Turned(first.forward_nm + bumps, first.back_nm - bumps)
    worst = worst_angle(now, first, 144)
    assert worst is not None
    assert worst.others == 2
    assert any(
        "and 2 places like it" in words
        for words in texts(draw_turn(now, first, friction_nm=None, zero_nm=None, cogging_order=288))
    )


@given(seed=st.integers(0, 10_000))
def test_the_widest_place_of_a_healthy_unit_is_not_named(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, now = turned(), turned(0.11)
    noisy = Turned(
        now.forward_nm + 1e-3 * rng.standard_normal(POINTS), now.back_nm + 1e-3 * rng.standard_normal(POINTS)
    )
    assert worst_angle(noisy, first, 144) is None


def test_a_hole_is_left_open_and_nothing_is_made_up() -> None:
    holed = turned()
    holed.forward_nm[100:140] = np.nan
    picture = draw_turn(holed, turned(), friction_nm=0.1, zero_nm=0.02, cogging_order=288)
    check_any(picture)
    thick = [line for line in points(picture, "forward") if len(line) > 500]
    assert len(thick) >= 1
    assert all(np.diff([x for x, _ in line]).max() < 2.0 for line in thick)
    assert any("not measured" in row for row in picture.rows)


def test_a_turn_of_which_nothing_was_measured_is_an_empty_picture() -> None:
    nothing = Turned(np.full(POINTS, np.nan), np.full(POINTS, np.nan))
    picture = draw_turn(nothing, None, friction_nm=None, zero_nm=None, cogging_order=288)
    check_any(picture)
    assert not points(picture, "forward")


def test_the_lens_holds_single_points_about_its_angle() -> None:
    picture = draw_lens(turned(), turned(), 355.0)
    check_any(picture)
    assert "0°" in texts(picture)
    assert "345°" in texts(picture)
    assert len(parsed(picture)) > 5


def test_smoothing_takes_the_teeth_and_keeps_the_rest() -> None:
    slow = 0.03 * np.sin(np.radians(ANGLE) * 3)
    teeth = 0.01 * np.sin(np.radians(ANGLE) * 288)
    assert smoothed(slow + teeth, 144) == pytest.approx(slow, abs=1e-12)


def test_where_accepted_units_lie_is_a_band_about_the_middle_of_both_senses() -> None:
    half = turned().friction_nm
    band = Accepted(half - 0.01, half + 0.02, "what 3 accepted units showed")
    picture = draw_turn(turned(), None, friction_nm=0.1, zero_nm=0.02, cogging_order=288, accepted=band)
    check_any(picture)
    assert "Grey: what 3 accepted units showed; half the gap" in picture.caption
    assert picture.caption.endswith("This turn lies within it.")
    areas = [
        each.get("d", "") for each in parsed(picture).iter(f"{SVG}path") if each.get("class") == "f-soft"
    ]
    forward = next(line for line in points(picture, "forward") if len(line) == POINTS)[0][1]
    starts = [
        sorted((*(float(pair.split()[1]) for pair in (pairs[0], pairs[-1])),))
        for d in areas
        if (pairs := d.strip("MZ").split("L"))
    ]
    assert len(starts) == 2
    assert any(low < forward < high for low, high in starts)
    narrow = Accepted(
        half - 0.01, half + np.where(np.arange(POINTS) == 512, -0.004, 0.02), "what 3 accepted units showed"
    )
    beyond = draw_turn(turned(), None, friction_nm=0.1, zero_nm=0.02, cogging_order=288, accepted=narrow)
    assert "1 % of this turn lies outside it, farthest at 180°" in beyond.caption
    nothing = Turned(np.full(POINTS, np.nan), np.full(POINTS, np.nan))
    alone = draw_turn(nothing, None, friction_nm=None, zero_nm=None, cogging_order=288, accepted=band)
    assert "Grey" not in alone.caption
