"""Rig records: which are refused and why, which holds at a time, and how one comes from an arbor run."""

from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import numpy as np
import pytest
from tests.simulation.scene import FAST
from tests.storage.scenario import cycle_record

from nightturn.calibration.rig_records import (
    arbor_record,
    file_of,
    parse_rig_records,
    reindexed_orders,
    rig_contradiction,
    rig_record_in_force,
    rig_record_text,
    unfit_for,
)
from nightturn.errors import CalibrationError
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.rig_record import RigOrder, RigRecord
from nightturn.settings.rig import Encoder, FixtureSettings

EXACT = 1e-6
FROM = datetime(2026, 1, 12, tzinfo=UTC)
GOOD = RigRecord(
    id="R-3",
    fixture="pan-a1",
    how="arbor run",
    transducer="TR-204",
    reference="absolute",
    speed_rpm=3.0,
    orders=(RigOrder(1, 0.004, 0.3, 1e-4), RigOrder(8, 0.002, -1.2, 1e-4)),
    friction_nm=0.012,
    u_friction_nm=0.0005,
    temp_degc=22.5,
    valid_from=FROM,
)
RIG = msgspec.structs.replace(
    FAST,
    id="pan-a1",
    encoder=Encoder(counts_per_rev=1 << 20, reference="absolute"),
    transducer=msgspec.structs.replace(FAST.transducer, serial="TR-204"),
)


def changed(**changes: Any) -> RigRecord:
    return msgspec.structs.replace(GOOD, **changes)


def line(record: RigRecord) -> str:
    return msgspec.json.encode(record).decode() + "\n"


@pytest.mark.parametrize(
    ("record", "problem"),
    [
        (
            changed(orders=(), friction_nm=None, u_friction_nm=None),
            "gives neither orders nor friction_nm; give what was measured",
        ),
        (
            changed(speed_rpm=float("inf")),
            "contains a number that is not finite; write it as a plain decimal",
        ),
        (
            changed(orders=(RigOrder(1, 0.004, float("nan"), 1e-4),)),
            "contains a number that is not finite; write it as a plain decimal",
        ),
        (
            changed(orders=GOOD.orders[::-1]),
            "gives its orders not rising, or one of them twice; sort them, each once",
        ),
        (
            changed(orders=GOOD.orders[:1] * 2),
            "gives its orders not rising, or one of them twice; sort them, each once",
        ),
        (changed(u_friction_nm=None), "gives one of friction_nm and u_friction_nm; give both or neither"),
        (
            changed(u_friction_nm=0.02),
            "gives u_friction_nm = 0.02, more than its friction_nm of 0.012; measure longer, or leave both out",
        ),
        (
            changed(temp_degc=None),
            "gives friction_nm without temp_degc; add the temperature of the rig, which friction depends on",
        ),
    ],
)
def test_a_record_that_contradicts_itself_is_refused_in_words(record: RigRecord, problem: str) -> None:
    assert rig_contradiction(record) == problem
    assert rig_contradiction(GOOD) is None
    with pytest.raises(CalibrationError) as caught:
        parse_rig_records(line(record), where="rigs/pan-a1.jsonl")
    assert str(caught.value).startswith("rigs/pan-a1.jsonl, line 1: ")


@pytest.mark.parametrize(
    ("second", "problem"),
    [
        (
            GOOD,
            "has an id that is used already; records are never changed, append one with a new id and supersedes",
        ),
        (
            changed(id="R-4", supersedes="R-9"),
            "supersedes 'R-9', which is not in the file (known: R-3); name one of these",
        ),
        (
            changed(id="R-4", fixture="pan-b1"),
            "is of fixture 'pan-b1', the file of 'pan-a1'; each fixture has its own file",
        ),
        (
            changed(id="R-4", valid_from=FROM - timedelta(days=1)),
            "is valid from 2026-01-11T00:00:00+00:00, before 'R-3' (2026-01-12T00:00:00+00:00); sort the records by valid_from",
        ),
    ],
)
def test_records_are_only_appended(second: RigRecord, problem: str) -> None:
    with pytest.raises(CalibrationError) as caught:
        parse_rig_records(line(GOOD) + line(second), where="f")
    assert str(caught.value) == f"f, line 2: rig record {second.id!r} {problem}"


def test_what_is_no_record_names_file_and_line() -> None:
    with pytest.raises(
        CalibrationError, match=r"^f, line 1: .*write one JSON record a line, or remove the line$"
    ):
        parse_rig_records('{"id": "R-1", "colour": "red"}', where="f")


def test_the_last_record_that_is_valid_holds() -> None:
    second = changed(id="R-4", valid_from=FROM + timedelta(days=30), supersedes="R-3")
    records = parse_rig_records(line(GOOD) + "\n" + line(second), where="f")
    assert records == (GOOD, second)
    assert rig_record_in_force(records, FROM - timedelta(days=1)) is None
    assert rig_record_in_force(records, FROM) == GOOD
    assert rig_record_in_force(records, FROM + timedelta(days=40)) == second
    assert file_of("pan-a1") == "rigs/pan-a1.jsonl"


@pytest.mark.parametrize(
    ("record", "rig", "why"),
    [
        (GOOD, RIG, ""),
        (changed(fixture="pan-b1"), RIG, "Rig record R-3 is of fixture pan-b1."),
        (
            changed(transducer="TR-9"),
            RIG,
            "Rig record R-3 was made with transducer TR-9, the rig has TR-204.",
        ),
        (
            GOOD,
            msgspec.structs.replace(RIG, transducer=msgspec.structs.replace(RIG.transducer, serial="")),
            "Rig record R-3 was made with transducer TR-204, the rig has one without a serial.",
        ),
        (
            GOOD,
            msgspec.structs.replace(RIG, encoder=Encoder(counts_per_rev=1 << 20, reference="none")),
            "Rig record R-3 gives phases from the encoder's zero, and this encoder has none to come back to.",
        ),
        (
            changed(reference="index"),
            RIG,
            "Rig record R-3 refers to an encoder with reference index, the rig's is absolute.",
        ),
    ],
)
def test_a_record_of_another_rig_is_not_used(record: RigRecord, rig: FixtureSettings, why: str) -> None:
    assert unfit_for(record, rig) == why


def test_a_record_reads_in_a_line() -> None:
    assert rig_record_text(GOOD) == (
        "R-3 (arbor run at 3 rpm, valid from 2026-01-12): 2 orders, friction 12 mN·m"
    )


def arbor_cycle(status: str = OK) -> CycleRecord:
    friction = Figure(name="friction_nm", value=0.012, u=0.0004, nu=6.0, status=status)
    return msgspec.structs.replace(
        cycle_record(),
        status=OK,
        speed_rpm=3.0,
        figures=(friction,),
        cogging_orders=((1, 0.004, 0.3, 1e-4), (8, 0.002, -1.2, 2e-4)),
        temperatures_degc={"ambient": 21.5},
    )


def test_an_arbor_run_gives_the_orders_that_both_directions_share_and_the_friction() -> None:
    made = arbor_record(
        arbor_cycle(),
        name="R-1",
        fixture="pan-a1",
        transducer="TR-204",
        reference="absolute",
        valid_from=FROM,
    )
    assert made.orders == (RigOrder(1, 0.004, 0.3, 1e-4), RigOrder(8, 0.002, -1.2, 2e-4))
    assert (made.how, made.speed_rpm, made.temp_degc) == ("arbor run", 3.0, 21.5)
    assert (made.friction_nm, made.u_friction_nm) == (0.012, 0.0004)
    assert parse_rig_records(line(made), where="f") == (made,)


def test_an_arbor_run_that_was_not_judged_is_none() -> None:
    with pytest.raises(CalibrationError) as caught:
        arbor_record(
            arbor_cycle("not judged"),
            name="R-1",
            fixture="pan-a1",
            transducer="TR-204",
            reference="absolute",
            valid_from=FROM,
        )
    assert str(caught.value) == (
        f"cycle {arbor_cycle().cycle_no} is no arbor run to keep: it is ok and its friction not judged; run it again"
    )


def test_an_arbor_run_without_a_temperature_is_no_record_because_friction_depends_on_it() -> None:
    cold = msgspec.structs.replace(arbor_cycle(), temperatures_degc={"winding": 30.0})
    with pytest.raises(CalibrationError) as caught:
        arbor_record(
            cold,
            name="R-1",
            fixture="pan-a1",
            transducer="TR-204",
            reference="absolute",
            valid_from=FROM,
        )
    assert str(caught.value) == (
        f"cycle {cold.cycle_no}: the record gives friction_nm without temp_degc; add the temperature of the rig, which friction "
        "depends on"
    )


def indexed(turned_deg: float, rig: dict[int, complex], unit: dict[int, complex]) -> CycleRecord:
    """A cycle of this rig with this unit, turned by so much on it; orders of torque over the encoder's angle."""
    orders = []
    for order in sorted(unit):
        value = rig.get(order, 0) + unit[order] * np.exp(-1j * order * np.radians(turned_deg))
        orders.append((order, float(abs(value)), float(np.angle(value)), 1e-4))
    return msgspec.structs.replace(cycle_record(), status=OK, cogging_orders=tuple(orders))


def test_what_stays_at_the_encoders_angle_when_the_unit_is_turned_is_the_rigs() -> None:
    rig: dict[int, complex] = {2: 0.004 * np.exp(0.3j), 7: 0.002 * np.exp(-1.2j)}
    unit: dict[int, complex] = {1: 0.010 + 0j, 2: 0.010 + 0j, 7: 0.020j, 36: 0.018 + 0j, 90: 0.003 + 0j}
    one, other = (indexed(each, rig, unit) for each in (0.0, 37.0))
    orders, blind = reindexed_orders((one, other), (0.0, 37.0), EXACT)
    found = {each.order: each.amplitude_nm * np.exp(1j * each.phase_rad) for each in orders}
    assert set(found) == {2, 7}
    assert all(abs(found[order] - rig[order]) < 1e-9 for order in rig)
    assert blind == (1,)
    # half a turn leaves every even order where it was, quarter turns every fourth
    assert reindexed_orders((one, indexed(180.0, rig, unit)), (0.0, 180.0), EXACT)[1] == (2, 36, 90)
    assert reindexed_orders((one, indexed(90.0, rig, unit)), (0.0, 90.0), EXACT)[1] == (36,)


def test_a_third_mounting_parts_what_two_leave_and_its_scatter_widens_the_uncertainty() -> None:
    rig: dict[int, complex] = {1: 0.003 + 0j, 10: 0.004j}
    unit: dict[int, complex] = {1: 0.010 + 0j, 10: 0.010 + 0j, 36: 0.018 + 0j}
    cycles, angles = [indexed(each, rig, unit) for each in (0.0, 36.0, 101.0)], (0.0, 36.0, 101.0)
    assert reindexed_orders(cycles[:2], angles[:2], EXACT)[1] == (1, 10)
    orders, blind = reindexed_orders(cycles, angles, EXACT)
    assert (blind, [each.order for each in orders]) == ((), [1, 10])
    for each in orders:
        assert each.amplitude_nm * np.exp(1j * each.phase_rad) == pytest.approx(rig[each.order], abs=1e-9)
    # an angle that is known to a degree moves order 10 of the unit by 1.7 mN·m, and its ± says so
    off = (0.0, 36.0, 102.0)
    assert {each.order for each in reindexed_orders(cycles, off, 1.0)[0]} == {1}
    (ten,) = [each for each in reindexed_orders(cycles, off, 0.5)[0] if each.order == 10]
    assert abs(ten.amplitude_nm - 0.004) < 2 * ten.u_nm
    # four mountings contradict each other where one was turned otherwise than said
    four = [*cycles, indexed(160.0, rig, unit)]
    wide, narrow = (reindexed_orders(four, (*angles, last), EXACT)[0][0].u_nm for last in (172.0, 160.0))
    assert wide > 5 * narrow  # of order 1


def test_cycles_of_two_speeds_or_without_orders_part_nothing() -> None:
    one = indexed(0.0, {}, {1: 0.01 + 0j})
    with pytest.raises(CalibrationError, match="turn all at one speed"):
        reindexed_orders((one, msgspec.structs.replace(one, speed_rpm=9.0)), (0.0, 37.0), EXACT)
    with pytest.raises(CalibrationError, match="has no orders to go by"):
        reindexed_orders((one, msgspec.structs.replace(one, cogging_orders=())), (0.0, 37.0), EXACT)
