"""Orders are sorted as published, and a bearing's line is found beside its order."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench
from tests.evidence.stories import DECLARED

from nightturn.estimation.origins import origin_of
from nightturn.evidence.cycle_values import CycleValues, Declared, OrderValue
from nightturn.evidence.families import MULTIPLES, bearings_of, family_of, lcm_of, of_bearing


@pytest.mark.parametrize(
    ("order", "family"),
    [
        (1, "shaft orders"),
        (2, "shaft orders"),
        (16, "electrical orders"),
        (32, "electrical orders"),
        (64, "pole orders"),
        (96, "electrical orders"),
        (36, "slot orders"),
        (252, "slot orders"),
        (287, "side lines"),
        (289, "side lines"),
        (276, "sidebands"),
        (300, "sidebands"),
        (574, "sidebands"),
        (301, ""),
        (862, ""),
        (288, "cogging order"),
        (576, "cogging order"),
        (7, ""),
    ],
)
def test_an_order_belongs_to_its_family(order: int, family: str) -> None:
    assert family_of(order, DECLARED) == family


def test_poles_and_slots_have_the_published_cogging_order() -> None:
    # Z. Q. Zhu, D. Howe, IEEE Trans. Energy Conversion 15(4), 2000, 407-412: cogging periods a turn are the least common multiple of
    # slots and poles; 4 poles with 6 slots and 8 poles with 9 slots, from memory.
    assert lcm_of(Declared(2, 6)) == 12
    assert lcm_of(Declared(4, 9)) == 72
    assert lcm_of(Declared()) == 0


def test_an_undeclared_unit_has_orders_of_the_shaft_only() -> None:
    assert family_of(1, Declared()) == "shaft orders"
    assert family_of(288, Declared()) == ""


UNIT = Bench().conditions(drive_pole_pairs=0, drive_slots=0)  # 16 pole pairs and 36 slots


@given(order=st.integers(5, 1200))
def test_families_are_those_of_the_origins_that_tables_name(order: int) -> None:
    """One order must not be a slot's here and a pole's in the table of orders."""
    family, words = family_of(order, DECLARED), origin_of(order, UNIT, 7.77, 1000).words
    assert (family == "cogging order") == words.startswith("cogging of the unit")
    if family in {"slot orders", "pole orders"} and order <= 3 * 288:
        assert words.startswith(f"{family.split()[0]}s of the unit")
    if family == "electrical orders":
        assert words.startswith(("current of the unit", "poles of the unit"))
    if not family or family in {"sidebands", "side lines"}:
        assert order > 2 * 288 or words == "undeclared"


def cycle(**values: object) -> CycleValues:
    return CycleValues(**values)  # type: ignore[arg-type]  # fields by name


OUTER = "bearing front, outer race"


def test_a_line_with_slip_is_the_bearings_and_one_beyond_is_not() -> None:
    slipped = OrderValue(10.01 * 0.975, 0.003)
    found = of_bearing(cycle(lines=(slipped,)), OUTER, DECLARED)
    assert found is not None
    assert found.value == 0.003
    assert of_bearing(cycle(lines=(OrderValue(10.01 * 0.96, 0.003),)), OUTER, DECLARED) is None


@given(times=st.integers(1, 5), slip=st.floats(-0.025, 0.025), which=st.integers(1, 3))
def test_a_multiple_is_the_nearest_bearings_and_says_its_first(times: int, slip: float, which: int) -> None:
    name, line = DECLARED.bearings[which]
    order = times * line * (1 + slip)
    found = bearings_of(order, DECLARED.bearings)
    off = {
        other: abs(order / round(order / at) / at - 1)
        for other, at in DECLARED.bearings[1:]
        if order > at / 2 and round(order / at) <= MULTIPLES
    }
    assert min(off, key=lambda each: off[each]) in found
    if name in found:
        assert found[name] == pytest.approx(line * (1 + slip))
    assert bearings_of(6 * line, ((name, line),)) == {}


def test_two_like_bearings_share_a_line() -> None:
    assert set(bearings_of(20.02, (("front", 10.01), ("rear", 10.01), ("far", 10.2)))) == {"front", "rear"}


def test_all_multiples_of_a_line_count_together() -> None:
    lines = tuple(OrderValue(10.01 * times, 0.003) for times in (2, 3))
    found = of_bearing(cycle(lines=lines), OUTER, DECLARED)
    assert found is not None
    assert found.value == pytest.approx(0.003 * math.sqrt(2))


def test_a_line_that_the_turns_cannot_tell_from_a_whole_order_is_found_there() -> None:
    whole = cycle(lines=(), cogging_orders=(OrderValue(10, 0.002), OrderValue(36, 0.004)))
    found = of_bearing(whole, OUTER, DECLARED)
    assert found is not None
    assert found.value == 0.002


def test_an_order_of_the_unit_is_not_taken_for_a_bearings() -> None:
    spindle = Declared(16, 36, (("spindle", 36.2),))
    assert of_bearing(cycle(lines=(), cogging_orders=(OrderValue(36, 0.004),)), "spindle", spindle) is None
    assert of_bearing(cycle(), "spindle", spindle) is None
