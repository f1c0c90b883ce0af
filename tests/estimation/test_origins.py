"""Each order says where it comes from, and one of several causes names them all."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.bearings import ball_pass_orders, declared_bearings
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.origins import origin_of
from nightturn.settings.rig import Bearing

UNIT = Bench().conditions()  # 16 pole pairs and 36 slots, turned by 4 pole pairs and 24 slots
SPINDLE = Bench().conditions(bearings=(("bearing spindle, outer race", 7.132),))


@pytest.mark.parametrize(
    ("order", "whose", "words"),
    [
        (1, "unit or rig", "turn of the shaft, of unit or rig"),
        (4, "unit or rig", "turn of the shaft, of unit or rig or current of the drive (1 × 4 pole pairs)"),
        (8, "rig", "current of the drive (2 × 4 pole pairs)"),
        (16, "unit", "current of the unit (1 × 16 pole pairs)"),
        (24, "rig", "cogging of the drive (1 × 24)"),
        (32, "unit", "poles of the unit (1 × 32)"),
        (36, "unit", "slots of the unit (1 × 36)"),
        (72, "unit or rig", "slots of the unit (2 × 36) or cogging of the drive (3 × 24)"),
        (96, "unit", "current of the unit (6 × 16 pole pairs)"),
        (288, "unit", "cogging of the unit (1 × 288)"),
        (576, "unit", "cogging of the unit (2 × 288)"),
        (37, "undeclared", "undeclared"),
    ],
)
def test_an_order_of_a_declared_cause_names_it(order: int, whose: str, words: str) -> None:
    found = origin_of(order, UNIT, 3.0, 5)
    assert (found.whose, found.words) == (whose, words)
    assert found.may_be_rig == (whose in ("rig", "unit or rig"))


def test_a_bearing_shows_at_the_whole_orders_beside_its_own() -> None:
    assert origin_of(7, SPINDLE, 3.0, 5).words == "bearing spindle, outer race (1 × 7.132)"
    assert origin_of(14, SPINDLE, 3.0, 5).words == "bearing spindle, outer race (2 × 7.132)"
    assert origin_of(14, SPINDLE, 3.0, 5).whose == "rig"
    assert origin_of(9, SPINDLE, 3.0, 5).whose == "undeclared"


def test_hum_is_named_where_the_turns_cannot_tell_it_from_the_order() -> None:
    assert origin_of(1000, UNIT, 3.0, 5).words == "mains hum of 50 Hz"
    assert origin_of(1000, UNIT, 3.1, 5).whose == "undeclared"
    both = origin_of(288, UNIT, 3000 / 288, 5)
    assert (both.whose, both.words) == ("unit", "cogging of the unit (1 × 288) or mains hum of 50 Hz")


def test_an_unknown_product_has_undeclared_orders() -> None:
    unknown = Bench().conditions(pole_pairs=0, slots=0, drive_pole_pairs=0, drive_slots=0)
    assert origin_of(288, unknown, 3.0, 5).whose == "undeclared"


@given(order=st.integers(1, 2000), speed_rpm=st.floats(0.5, 60.0), turns=st.integers(1, 20))
def test_every_order_has_an_origin_in_words(order: int, speed_rpm: float, turns: int) -> None:
    found = origin_of(order, SPINDLE, speed_rpm, turns)
    assert found.words
    assert (found.whose == "undeclared") == (found.words == "undeclared")


def test_both_order_tables_of_a_cycle_have_an_origin_for_each_row() -> None:
    bench = Bench(noise_nm=0.001)
    found = finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0)
    assert len(found.origins) == len(found.orders) > 5
    assert len(found.cogging_origins) == len(found.cogging_orders) > 3
    named = dict(zip((row[0] for row in found.cogging_orders), found.cogging_origins, strict=True))
    assert named[288] == "cogging of the unit (1 × 288)"
    assert named[36] == "slots of the unit (1 × 36)"


# ---- bearings ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("balls", "ball_in", "pitch_in", "inner", "outer", "cage", "ball", "digits"),
    [
        (9, 0.3126, 1.537, 5.4152, 3.5848, 0.39828, 4.7135, 1e-4),
        (8, 0.2656, 1.122, 4.9469, 3.0530, 0.3817, 3.9874, 3e-4),
    ],
)
def test_two_bearings_show_at_the_multiples_that_are_published_of_them(
    balls: int,
    ball_in: float,
    pitch_in: float,
    inner: float,
    outer: float,
    cage: float,
    ball: float,
    digits: float,
) -> None:
    # Case Western Reserve University, Bearing Data Center, "Bearing Information": defect frequencies as multiples of the
    # running speed of its drive-end and fan-end bearings; their diameters are from memory. Its rolling element is hit twice a turn.
    found = ball_pass_orders(balls, ball_in * 25.4, pitch_in * 25.4)
    assert found["inner race"] == pytest.approx(inner, abs=digits)
    assert found["outer race"] == pytest.approx(outer, abs=digits)
    assert found["cage"] == pytest.approx(cage, abs=digits)
    assert found["ball"] == pytest.approx(ball, abs=digits)


@given(
    balls=st.integers(3, 40),
    ball_mm=st.floats(1.0, 20.0),
    ratio=st.floats(1.5, 20.0),
    contact=st.floats(0, 60),
)
def test_the_races_share_all_ball_passes_and_the_outer_one_sees_every_ball_of_the_cage(
    balls: int, ball_mm: float, ratio: float, contact: float
) -> None:
    found = ball_pass_orders(balls, ball_mm, ball_mm * ratio, contact)
    assert found["inner race"] + found["outer race"] == pytest.approx(balls)
    assert found["outer race"] == pytest.approx(balls * found["cage"])
    assert math.isclose(found["ball"], ratio * (1 - (math.cos(math.radians(contact)) / ratio) ** 2))


def test_a_declared_bearing_gives_its_orders_or_those_of_its_parts() -> None:
    given_as = declared_bearings(
        (
            Bearing(name="spindle", orders=(7.1, 4.9)),
            Bearing(name="support", balls=9, ball_mm=7.94, pitch_mm=39.04),
        )
    )
    assert given_as[:2] == (("bearing spindle", 7.1), ("bearing spindle", 4.9))
    assert [name for name, _ in given_as[2:]] == [
        "bearing support, cage",
        "bearing support, outer race",
        "bearing support, inner race",
        "bearing support, ball",
    ]
