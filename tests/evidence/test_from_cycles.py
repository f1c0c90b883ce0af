"""Features of two groups of cycles: what can be compared, what cannot and why, and that units and order do not matter."""

import math
from collections.abc import Callable, Sequence

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.evidence.stories import DECLARED, stories_of, told

from nightturn.errors import ConfigError
from nightturn.evidence.cycle_values import CycleValues, Declared, OrderValue, Value
from nightturn.evidence.features import (
    BEARING,
    BEYOND,
    BREAKAWAY,
    BRIDGE_TEMPERATURE,
    CALIBRATION,
    COGGING,
    COVERAGE,
    DEFECT,
    ELECTRICAL,
    ENCODER,
    FOLLOWS,
    FRICTION,
    GAIN,
    JUMPS,
    KINDS,
    LAG,
    LCM,
    LOCKED,
    MEAN_TORQUE,
    NO_REFERENCE,
    OTHER_LINE,
    OTHER_RIG,
    PATTERN_ANGLE,
    RAILED,
    REMOUNT,
    RIPPLE,
    SHAFT,
    SIDEBANDS,
    SLOTS,
    SWING,
    TEMPERATURE,
    TILT,
    ZERO,
    Feature,
    Features,
)
from nightturn.evidence.from_cycles import features_of

Cycles = list[CycleValues]
STORIES = stories_of(11)
CALM = told(STORIES["none"], 11)


def changed(cycles: Sequence[CycleValues], **values: object) -> Cycles:
    return [msgspec.structs.replace(each, **values) for each in cycles]


def of(kind: str, story: Features) -> Feature:
    return next(each for each in story.looked if each.kind == kind)


def compared(
    before: Sequence[CycleValues] = CALM[0],
    now: Sequence[CycleValues] = CALM[1],
    declared: Declared = DECLARED,
    known: Sequence[str] = (),
) -> Features:
    return features_of(before, now, declared, known)


def test_every_kind_is_looked_at_and_says_so_where_it_was_not_seen() -> None:
    for before, now in (CALM, ([], CALM[1]), (CALM[0], []), ([], [])):
        story = compared(before, now)
        assert {each.kind for each in story.looked} == {*KINDS}
        assert not story.moved() or (before and now)
        assert (story.cycles_before, story.cycles_now) == (len(before), len(now))
    assert not any(each.seen for each in compared([], []).looked)


@pytest.mark.parametrize("story", sorted(STORIES))
def test_what_happened_moves_and_with_nothing_nothing_does(story: str) -> None:
    found = features_of(*told(STORIES[story], 11), DECLARED, STORIES[story].known)
    assert bool(found.moved()) == (story != "none")


@pytest.mark.parametrize(
    ("values", "kinds", "why"),
    [
        (
            {"speed_rpm": 6.0},
            (FRICTION, BEYOND, RIPPLE, COGGING, MEAN_TORQUE, LCM, SLOTS, TILT, LAG),
            "measured at another speed",
        ),
        ({"setpoint_nm": 3.0}, (RIPPLE, MEAN_TORQUE, ELECTRICAL), "another torque was held"),
        (
            {"cogging_orders": None},
            (LCM, SLOTS, SIDEBANDS, TILT, PATTERN_ANGLE, SHAFT),
            "no table of orders in every cycle",
        ),
        ({"hold_orders": None}, (ELECTRICAL,), "no table of orders in every cycle"),
        ({"highest_order": 250}, (LCM, PATTERN_ANGLE), "order 288 is above the band"),
        ({"highest_order": 290}, (SIDEBANDS,), "order 300 is above the band"),
        ({"highest_order": 400}, (TILT,), "order 576 is above the band"),
        (
            {"lines": None},
            (BEARING, OTHER_LINE),
            "lines between whole orders were not looked for in every cycle",
        ),
        ({"defects": None}, (DEFECT,), "deviations at one angle were not looked for in every cycle"),
        ({"temperatures_degc": {}}, (BEYOND,), "no temperature of the unit in both"),
        ({"temperatures_degc": {}}, (FOLLOWS,), "no temperature of the unit in both"),
        ({"temperatures_degc": {}}, (TEMPERATURE, BRIDGE_TEMPERATURE, SWING), "no such temperature in both"),
        ({"railed": None}, (RAILED,), "not counted in every cycle"),
        ({"jumps": None}, (JUMPS,), "not counted in every cycle"),
        ({"encoder_findings": None}, (ENCODER,), "not counted in every cycle"),
        ({"jumps": 2, "jump_angles_deg": None}, (LOCKED,), "the angles of the jumps are not known"),
        ({"coverage": None}, (COVERAGE,), "not known of now"),
        ({"figures": {}}, (FRICTION, BREAKAWAY, ZERO, MEAN_TORQUE, RIPPLE, COGGING), "not known of now"),
        ({"cogging_orders": ()}, (PATTERN_ANGLE,), "the cogging order does not stand out"),
        ({"cogging_orders": ()}, (TILT,), "the second multiple of the cogging order does not stand out"),
    ],
)
def test_what_cannot_be_compared_says_why(
    values: dict[str, object], kinds: tuple[str, ...], why: str
) -> None:
    story = compared(now=changed(CALM[1], **values))
    assert {kind: of(kind, story).unseen for kind in kinds} == dict.fromkeys(kinds, why)


def test_a_direction_that_the_baseline_has_not_is_not_compared() -> None:
    story = compared(changed(CALM[0], direction=1), changed(CALM[1], direction=-1))
    assert of(FRICTION, story).unseen == "known in different directions only"


@pytest.mark.parametrize(
    ("known", "kinds", "why"),
    [
        (CALIBRATION, (ZERO,), "another calibration record was in force"),
        (OTHER_RIG, (ZERO, LAG, SHAFT, BEARING), "measured on another rig"),
        (OTHER_RIG, (PATTERN_ANGLE,), "the angles have no common zero"),
        (NO_REFERENCE, (PATTERN_ANGLE,), "the angles have no common zero"),
        (NO_REFERENCE, (LOCKED,), "the encoder's zero was lost in between"),
    ],
)
def test_interventions_hide_what_they_change(known: str, kinds: tuple[str, ...], why: str) -> None:
    story = compared(known=(known,))
    assert {kind: of(kind, story).unseen for kind in kinds} == dict.fromkeys(kinds, why)
    assert story.known == (known,)


def test_a_remount_and_another_calibration_widen_what_they_change_by_themselves() -> None:
    plain, mounted = compared(), compared(known=(REMOUNT,))
    assert of(FRICTION, mounted).u > 2 * of(FRICTION, plain).u
    assert of(LCM, mounted).u > of(LCM, plain).u
    certified = compared(known=(CALIBRATION,))
    assert of(MEAN_TORQUE, certified).u > of(MEAN_TORQUE, plain).u


def test_an_undeclared_unit_without_bearings_says_so() -> None:
    story = compared(declared=Declared())
    assert of(LCM, story).unseen == "poles and slots are not declared"
    assert of(BEARING, story).unseen == "no bearing is declared"
    assert of(SHAFT, story).seen


def test_few_cycles_cannot_show_what_only_counting_shows() -> None:
    story = compared(CALM[0][:3], CALM[1][:3])
    assert {of(kind, story).unseen for kind in (DEFECT, BEARING, SIDEBANDS)} == {"too few cycles"}
    assert of(FRICTION, story).seen


def test_a_few_spoilt_cycles_are_left_out_of_the_figures_and_counted() -> None:
    spoilt = [
        msgspec.structs.replace(each, jumps=40, figures={FRICTION: Value(9.0, 0.1, 5)})
        if k % 5 == 0
        else each
        for k, each in enumerate(CALM[1])
    ]
    story = compared(now=spoilt)
    assert of(FRICTION, story).now == pytest.approx(of(FRICTION, compared()).now, rel=0.01)
    assert of(JUMPS, story).now > 7
    mostly = [msgspec.structs.replace(each, jumps=40) for each in CALM[1]]
    assert of(FRICTION, compared(now=mostly)).seen


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_figure_that_is_no_number_was_not_seen_and_is_never_still(value: float) -> None:
    broken = changed(CALM[1][:1], figures={**CALM[1][0].figures, FRICTION: Value(value, 1e-4, 5)})
    story = compared(now=[*broken, *CALM[1][1:]])
    assert of(FRICTION, story).unseen == "a value of it is no number"
    assert not of(BEYOND, story).seen


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_temperature_that_is_no_number_was_not_seen(value: float) -> None:
    broken = changed(CALM[1][:1], temperatures_degc={"bearing": value, "bridge": value})
    story = compared(now=[*broken, *CALM[1][1:]])
    kinds = (BEYOND, TEMPERATURE, BRIDGE_TEMPERATURE, FOLLOWS)
    assert [of(kind, story).seen for kind in kinds] == [False] * 4


def test_an_unknown_intervention_is_refused_with_what_is_known() -> None:
    with pytest.raises(ConfigError, match="repaint") as caught:
        compared(known=("repaint",))
    assert REMOUNT in str(caught.value)


def test_one_burst_is_no_rate() -> None:
    now = [msgspec.structs.replace(each, jumps=400 if k == 3 else 0) for k, each in enumerate(CALM[1])]
    assert of(JUMPS, compared(now=now)) not in compared(now=now).moved()


def test_the_torque_held_does_not_follow_friction() -> None:
    before, now = told(STORIES["wear"], 11)
    one_way = [each for each in before if each.direction == 1], [each for each in now if each.direction == 1]
    story = compared(*one_way)
    assert of(FRICTION, story) in story.moved()
    assert of(MEAN_TORQUE, story) not in story.moved()


def test_one_gain_is_seen_where_all_follow_it_and_not_where_one_does_not() -> None:
    def times(mean: float, cogging: float) -> Cycles:
        out = []
        for each in CALM[1]:
            figures = {
                kind: Value(value.value * mean, value.u, value.nu) for kind, value in each.figures.items()
            }
            orders = tuple(
                OrderValue(o.order, o.amplitude_nm * cogging, o.phase_rad, o.u_nm)
                for o in each.cogging_orders or ()
            )
            out.append(msgspec.structs.replace(each, figures=figures, cogging_orders=orders))
        return out

    both = compared(now=times(1.03, 1.03))
    assert of(GAIN, both) in both.moved()
    assert of(GAIN, both).change == pytest.approx(3.0, abs=0.3)
    one = of(GAIN, compared(now=times(1.03, 1.0)))
    assert (one.seen, one.change) == (True, 0.0)
    coarse = [
        msgspec.structs.replace(
            each,
            cogging_orders=tuple(msgspec.structs.replace(o, u_nm=0.004) for o in each.cogging_orders or ()),
        )
        for each in times(1.03, 1.03)
    ]
    assert of(GAIN, compared(now=coarse)).unseen == "only one of the two is known well enough"
    nothing = compared(now=changed(CALM[1], cogging_orders=()))
    assert of(GAIN, nothing).unseen == "mean torque and cogging order must both be known"


def scaled(cycles: Sequence[CycleValues], by: float) -> Cycles:
    def order(each: OrderValue) -> OrderValue:
        return OrderValue(each.order, each.amplitude_nm * by, each.phase_rad, each.u_nm * by)

    def table(orders: tuple[OrderValue, ...] | None) -> tuple[OrderValue, ...] | None:
        return None if orders is None else tuple(order(each) for each in orders)

    return [
        msgspec.structs.replace(
            each,
            figures={
                k: Value(v.value * by, v.u * by, v.nu, v.u_common * by) for k, v in each.figures.items()
            },
            hold_orders=table(each.hold_orders),
            cogging_orders=table(each.cogging_orders),
            lines=table(each.lines),
        )
        for each in cycles
    ]


@settings(max_examples=10)
@given(
    by=st.sampled_from([0.125, 0.5, 2.0, 16.0]),
    name=st.sampled_from(sorted({*STORIES} - {"one place", "chip"})),
)
def test_the_size_of_a_unit_changes_nothing_that_moved(by: float, name: str) -> None:
    """By powers of two, so that not even rounding differs; heights of defects are left as they are."""
    before, now = told(STORIES[name], 3)
    plain, large = compared(before, now), compared(scaled(before, by), scaled(now, by))
    assert [each.kind for each in plain.moved()] == [each.kind for each in large.moved()]
    assert of(FRICTION, large).change == pytest.approx(by * of(FRICTION, plain).change)


@settings(max_examples=10)
@given(name=st.sampled_from(["wear", "spall", "zero drift", "stator", "held torque"]))
def test_looking_the_other_way_turns_the_changes_round(name: str) -> None:
    before, now = told(STORIES[name], 5)
    there, back = compared(before, now), compared(now, before)
    for kind in (FRICTION, ZERO, SLOTS, MEAN_TORQUE, TEMPERATURE):
        assert of(kind, there).change == pytest.approx(-of(kind, back).change)


def test_angles_that_jumps_keep_to_are_found_and_others_are_not() -> None:
    flexing = compared(*told(STORIES["cable flexing"], 11))
    loose = compared(*told(STORIES["cable"], 11))
    assert of(LOCKED, flexing) in flexing.moved()
    assert of(LOCKED, loose).seen
    assert of(LOCKED, loose) not in loose.moved()
    assert of(LOCKED, compared()).unseen == "too few cycles with jumps"


def test_a_pattern_that_turned_across_its_period_is_measured_the_short_way() -> None:
    def turned(by_deg: float) -> Callable[[CycleValues], CycleValues]:
        def turn(each: CycleValues) -> CycleValues:
            orders = tuple(
                OrderValue(
                    o.order, o.amplitude_nm, o.phase_rad + by_deg * o.order * 3.141592653589793 / 180, o.u_nm
                )
                for o in each.cogging_orders or ()
            )
            return msgspec.structs.replace(each, cogging_orders=orders)

        return turn

    for by_deg in (-0.5, 0.3, 0.6):
        story = compared(now=[turned(by_deg)(each) for each in CALM[1]])
        assert of(PATTERN_ANGLE, story).change == pytest.approx(by_deg, abs=0.01)
        assert of(PATTERN_ANGLE, story) in story.moved()
