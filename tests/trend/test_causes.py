"""What causes are asked of is the same of a live record and of its stored row, and only what lies outside a change's set."""

from dataclasses import replace

import msgspec
from tests.estimation.plant_cycles import plant_cycle
from tests.estimation.synthetic import cycles_of
from tests.evidence.plant_nights import DECLARED
from tests.evidence.plant_nights import values_of as stored_values
from tests.trend.sentence_stories import STEP, series

from nightturn.estimation.finish import finish_cycle
from nightturn.evidence.cycle_values import Declared
from nightturn.model.figures import NU_MANY, CycleRecord
from nightturn.trend.causes import (
    CYCLES,
    FOREVER,
    VALUES,
    Keeping,
    Kept,
    Window,
    because,
    encoder_findings,
    values_of,
    window_of,
)
from nightturn.trend.change_point import Found
from nightturn.trend.course import course_of
from nightturn.virtual.products import PAN15


def plant_record() -> CycleRecord:
    made = plant_cycle(PAN15, seed=5, rpm=6.0, spall=0.1)
    bench = made.recording.bench
    (sums,) = cycles_of(made.recording)
    record = finish_cycle(sums, bench.conditions(bearings=DECLARED.bearings), 0, 0, 10**9, 2 * 10**9)
    return msgspec.structs.replace(record, temperatures_degc={"bearing": 25.5, "bridge": 24.0})


def test_a_live_record_has_the_values_of_its_stored_row() -> None:
    record = plant_record()
    live = values_of(record, 0)
    assert live == stored_values(record)
    assert live.lines is not None
    assert live.cogging_orders
    assert VALUES.decode(msgspec.msgpack.encode(live)) == live
    bare = msgspec.structs.replace(record, symptoms=None, figures=())
    assert values_of(bare, 0) == stored_values(bare)


def kept(zeros: list[float], boots: tuple[int, ...] = (1,)) -> list[Kept]:
    keeping = Keeping()
    record = plant_record_once()
    for number, zero in enumerate(zeros, start=1):
        figures = tuple(
            msgspec.structs.replace(each, value=zero, u_rep=1e-4, nu_rep=NU_MANY)
            if each.name == "zero_nm"
            else each
            for each in record.figures
        )
        again = msgspec.structs.replace(
            record,
            cycle_no=number,
            ts_start=number,
            figures=figures,
            epoch=boots[number * len(boots) // (len(zeros) + 1)],
        )
        keeping.add(again, thin=False)
    return keeping.cycles


_once: list[CycleRecord] = []


def plant_record_once() -> CycleRecord:
    if not _once:
        _once.append(plant_record())
    return _once[0]


def test_cycles_within_the_set_and_beyond_other_changes_belong_to_neither_side() -> None:
    zeros = [9.0] * 10 + [0.010] * 30 + [5.0] * 4 + [0.030] * 30 + [7.0] * 6
    found = because(kept(zeros), Window(11, 41, 45, 75), Declared(), referenced=True)
    assert "zero of the torque channel rose from 10 mN·m to 30 mN·m" in found.said[0]
    assert found.said[-1].startswith(f"Compared are {CYCLES} cycles with {CYCLES} of the baseline.")


def test_nothing_that_changed_is_said_as_that() -> None:
    found = because(kept([0.010] * 60), Window(0, 30, 31, FOREVER), Declared(), referenced=True)
    assert found.names == ("nothing moved",)
    assert found.said[0].startswith("None of the ")


def test_without_a_reference_of_the_encoder_angles_are_not_compared_over_a_boot() -> None:
    cycles = kept([0.010] * 60, boots=(1, 2))
    window = Window(0, 30, 31, FOREVER)
    known = "Known: the encoder's zero was lost in between."
    assert known in because(cycles, window, Declared(), referenced=False).said[-1]
    assert known not in because(cycles, window, Declared(), referenced=True).said[-1]
    assert known not in because(kept([0.010] * 60), window, Declared(), referenced=False).said[-1]


def test_only_what_the_encoder_did_counts_as_its_finding() -> None:
    jumped = "the encoder jumped by 900 counts at sample 7 or up to 50 ms later"
    assert encoder_findings(("the run was stopped", jumped)) == 1
    assert encoder_findings(("the run was stopped",)) == 0


def test_a_change_whose_set_reaches_into_that_of_another_counts_where_it_most_likely_was() -> None:
    course = course_of(series(80))
    ts = [*course.series.ts.tolist(), FOREVER]

    def between(*changes: tuple[int, tuple[int, ...]]) -> list[tuple[int, int, int, int]]:
        found = tuple(Found(replace(STEP, at=at, places=places), None) for at, places in changes)
        windows = (window_of(replace(course, found=found), place) for place in range(len(found)))
        return [tuple(ts.index(each) if each else -1 for each in window) for window in windows]  # type: ignore[misc]  # four each

    apart = between((20, (18, 22)), (50, (48, 52)))
    assert apart == [(-1, 18, 22, 48), (22, 48, 52, 80)]
    reaching = between((20, (18, 22)), (50, (12, 60)))
    assert reaching == [(-1, 18, 22, 50), (-1, 12, 60, 80)]
    within = between((20, (15, 40)), (30, (10, 35)))
    assert within == [(-1, 15, 40, 80), (-1, 10, 35, 80)]
