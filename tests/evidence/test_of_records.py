"""A record's figures and the sentences of its ripple and cogging are read as the estimators write them."""

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, cycles_of, record
from tests.evidence.plant_nights import STORIES as PLANT_STORIES
from tests.evidence.plant_nights import plant_night

from nightturn.estimation.asynchronous import Line
from nightturn.estimation.draft import Draft
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.folds import LegSums
from nightturn.estimation.localised import LOCAL_TURNS, Localised
from nightturn.estimation.remarks import note_asynchronous, note_local, note_rails
from nightturn.evidence.cycle_values import CycleValues
from nightturn.evidence.features import FRICTION, ZERO
from nightturn.evidence.of_records import DEFECT_TURNS, FIGURE_OF_KIND, noted, values_of
from nightturn.model.figures import CycleRecord
from nightturn.model.verdicts import NOT_JUDGED

NONE = np.zeros(0)


def line(order: float, amplitude_nm: float, *, settled: bool = True) -> Line:
    return Line(order, round(order), amplitude_nm, 2, np.zeros(0, np.int64), NONE, settled=settled)


def local(angle_deg: float, height_nm: float) -> Localised:
    return Localised(angle_deg, 1.0, height_nm, 0.0, np.zeros(0, np.bool_), np.zeros(0, np.complex128), NONE)


@pytest.fixture(scope="module")
def plain() -> CycleRecord:
    bench = Bench(noise_nm=0.001)
    return finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 7_000_000_000, 0)


@given(
    orders=st.lists(st.tuples(st.floats(0.4, 2000), st.floats(1e-5, 2)), min_size=1, max_size=4),
)
def test_lines_between_whole_orders_are_read_as_they_are_noted(orders: list[tuple[float, float]]) -> None:
    draft = Draft(value=1.0)
    note_asynchronous(draft, [line(*each) for each in orders])
    found = noted(draft.reasons).lines
    assert [each.order for each in found] == pytest.approx(sorted(order for order, _ in orders), abs=0.0051)
    by_order = dict(sorted(orders, key=lambda each: each[0]))
    if len(by_order) == len(orders):
        assert [each.amplitude_nm for each in found] == pytest.approx(list(by_order.values()), rel=0.06)


def test_a_line_that_the_turns_cannot_tell_from_a_whole_order_is_read_there() -> None:
    draft = Draft(value=0.01)
    note_asynchronous(draft, [line(12.05, 0.0032, settled=False)])
    (found,) = noted(draft.reasons).lines
    assert (found.order, found.amplitude_nm) == (12.0, 0.0032)


@given(angle=st.floats(0, 359.9), height=st.floats(1e-4, 2), sign=st.sampled_from([-1, 1]))
def test_a_deviation_at_one_angle_is_read_as_it_is_noted(angle: float, height: float, sign: int) -> None:
    draft = Draft()
    note_local(draft, local(angle, sign * height))
    (found,) = noted(draft.reasons).defects
    assert found.angle_deg == pytest.approx(angle, abs=0.051)
    assert found.height_nm == pytest.approx(sign * height, rel=0.006)


def test_rails_and_jumps_are_read_as_they_are_noted() -> None:
    bench = Bench(rate_hz=1000)
    leg: LegSums = cycles_of(record(bench))[0].legs[0]
    draft = Draft()
    note_rails(draft, [msgspec.structs.replace(leg, railed=12, jumps=5)])
    said = noted(draft.reasons)
    assert (said.railed, said.jumps) == (12, 5)


def test_other_sentences_say_nothing_of_all_that(plain: CycleRecord) -> None:
    said = noted([reason for each in plain.figures for reason in each.reasons])
    assert (said.railed, said.jumps, said.lines, said.defects) == (0, 0, (), ())


def test_a_record_gives_its_figures_orders_and_times(plain: CycleRecord) -> None:
    values = values_of(plain)
    assert {*values.figures} <= {*FIGURE_OF_KIND}
    assert values.figures[FRICTION].value == plain.figure("friction_nm").value
    assert values.figures[ZERO].u == plain.figure("zero_nm").u_rep
    assert len(values.cogging_orders or ()) == len(plain.cogging_orders) > 3
    assert len(values.hold_orders or ()) == len(plain.orders) > 3
    assert values.highest_order > 576
    assert (values.lines, values.defects, values.railed, values.jumps) == ((), (), 0, 0)
    assert values.start_s == 7.0
    assert (values.jump_angles_deg, values.encoder_findings) == (None, None)


def test_what_was_not_measured_was_not_looked_for(plain: CycleRecord) -> None:
    bare = values_of(msgspec.structs.replace(plain, figures=()))
    assert bare.figures == {}
    assert [bare.lines, bare.defects, bare.railed, bare.jumps, bare.cogging_orders] == [None] * 5
    judged = tuple(msgspec.structs.replace(each, status=NOT_JUDGED) for each in plain.figures)
    doubted = values_of(msgspec.structs.replace(plain, figures=judged))
    assert doubted.figures == {}
    assert doubted.lines == ()
    for turns, lines, defects in ((2, None, None), (3, None, ()), (4, (), ())):
        fewer = tuple(msgspec.structs.replace(each, n=turns) for each in plain.figures)
        found = values_of(msgspec.structs.replace(plain, figures=fewer))
        assert (found.lines, found.defects) == (lines, defects)


@pytest.mark.parametrize(("turns", "seen"), [(1, False), (2, True)])
def test_with_one_turn_a_pass_no_line_can_be_found_and_none_is_taken_for_absent(
    turns: int, *, seen: bool
) -> None:
    bench = Bench(slow_turns=turns, noise_nm=0.001)
    found = values_of(finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0))
    assert found.cogging_orders
    assert (found.lines is not None) == seen


def test_figures_and_turns_are_those_of_the_estimators() -> None:
    assert {*FIGURE_OF_KIND.values()} <= {*FIGURES}
    assert DEFECT_TURNS == LOCAL_TURNS


def test_a_spall_of_the_plant_is_a_line_at_multiples_of_its_order() -> None:
    story = next(each for each in PLANT_STORIES if each.name == "spall")
    _, now = plant_night(story, 1, cycles=8)
    grown: CycleValues = now[-1]
    assert {round(each.order / 10.01) for each in grown.lines or ()} >= {2, 3}
    assert all(abs(each.order / round(each.order / 10.01) - 10.01) < 0.01 for each in grown.lines or ())
