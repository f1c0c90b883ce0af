"""Rig records: what drive and bearings make by themselves, append-only, one file per fixture."""

import cmath
import math
from collections.abc import Sequence
from datetime import datetime
from typing import Literal

import numpy as np
import numpy.typing as npt

from nightturn.calibration.append_only import one_more, read_records
from nightturn.errors import CalibrationError
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.quantities import quantity, typed
from nightturn.model.rig_record import ARBOR_RUN, RigOrder, RigRecord
from nightturn.model.tiles import Float64s
from nightturn.settings.rig import FixtureSettings

Complex128s = npt.NDArray[np.complex128]
FOLDER = "rigs"
FRICTION_NM = "friction_nm"
ROLES = ("bridge", "ambient")
"""Whose temperature is the rig's: the first that was measured."""
SPEEDS_APART = 0.05
GAIN_MAX = 2.0
"""Of the noise by re-indexing; beyond, the angle parts nothing (own choice)."""
COVERAGE = 2.0
FRICTION_MOST = 1.0
"""u of the friction as a share of it: beyond, nothing was measured."""


def file_of(fixture: str) -> str:
    """The file of a fixture's rig records, below the data root."""
    return f"{FOLDER}/{fixture}.jsonl"


def rig_contradiction(record: RigRecord) -> str | None:
    """What is wrong with a rig record on its own and how to mend it, or None."""
    if not record.orders and record.friction_nm is None:
        return "gives neither orders nor friction_nm; give what was measured"
    numbers = [record.speed_rpm, record.friction_nm, record.u_friction_nm, record.temp_degc]
    for each in record.orders:
        numbers += [each.amplitude_nm, each.phase_rad, each.u_nm]
    if any(each is not None and not math.isfinite(each) for each in numbers):
        return "contains a number that is not finite; write it as a plain decimal"
    orders = [each.order for each in record.orders]
    if orders != sorted(set(orders)):
        return "gives its orders not rising, or one of them twice; sort them, each once"
    if (record.friction_nm is None) != (record.u_friction_nm is None):
        return "gives one of friction_nm and u_friction_nm; give both or neither"
    if record.friction_nm is not None and record.u_friction_nm is not None:
        if record.u_friction_nm > FRICTION_MOST * max(record.friction_nm, 0.0):
            return (
                f"gives u_friction_nm = {typed(record.u_friction_nm)}, more than its friction_nm of {typed(record.friction_nm)}; "
                "measure longer, or leave both out"
            )
        if record.temp_degc is None:
            return "gives friction_nm without temp_degc; add the temperature of the rig, which friction depends on"
    return None


def parse_rig_records(text: str, *, where: str) -> tuple[RigRecord, ...]:
    """The records of one file, in order, with the append rules checked.

    Args:
        text: JSON, one record a line; blank lines are skipped.
        where: the file, for messages.

    Raises:
        CalibrationError: names file, line, what is wrong and how to mend it.
    """
    return read_records(text, RigRecord, rig_appended, where=where)


def rig_appended(records: tuple[RigRecord, ...], new: RigRecord, where: str) -> tuple[RigRecord, ...]:
    """The records with one more, or the rule that it breaks."""
    return one_more(
        records, new, "fixture", named=f"{where}: rig record", contradiction=rig_contradiction(new)
    )


def rig_record_in_force(records: Sequence[RigRecord], at_utc: datetime) -> RigRecord | None:
    """The rig record that holds at a time: the last with `valid_from` at or before it; None before the first."""
    return next((record for record in reversed(records) if record.valid_from <= at_utc), None)


def arbor_record(
    cycle: CycleRecord,
    *,
    name: str,
    fixture: str,
    transducer: str,
    reference: Literal["absolute", "index"],
    valid_from: datetime,
) -> RigRecord:
    """The record of a rig from a cycle with a smooth arbor in place of the unit: the orders that both directions share, and friction.

    Raises:
        CalibrationError: the cycle cannot say what the rig makes.
    """
    friction = cycle.figure(FRICTION_NM)
    if cycle.status != OK or friction.status != OK or friction.value is None or friction.u is None:
        raise CalibrationError(
            f"cycle {cycle.cycle_no} is no arbor run to keep: it is {cycle.status} and its friction {friction.status}; run it again"
        )
    temp_degc = next(
        (cycle.temperatures_degc[role] for role in ROLES if role in cycle.temperatures_degc), None
    )
    record = RigRecord(
        id=name,
        fixture=fixture,
        how=ARBOR_RUN,
        transducer=transducer,
        reference=reference,
        speed_rpm=cycle.speed_rpm,
        orders=tuple(
            RigOrder(order, amplitude_nm, phase_rad, u_nm)
            for order, amplitude_nm, phase_rad, u_nm in cycle.cogging_orders
        ),
        friction_nm=friction.value,
        u_friction_nm=friction.u,
        temp_degc=temp_degc,
        valid_from=valid_from,
    )
    problem = rig_contradiction(record)
    if problem:
        raise CalibrationError(f"cycle {cycle.cycle_no}: the record {problem}")
    return record


def reindexed_orders(
    cycles: Sequence[CycleRecord], turned_deg: Sequence[float], u_turned_deg: float
) -> tuple[tuple[RigOrder, ...], tuple[int, ...]]:
    """The orders of a rig from cycles of several mountings of one unit, and the orders that these angles cannot part.

    What stays at the encoder's angle is the rig's: order n of mounting k is `rig + unit e^-jna_k`, by weighted least squares. With more than
    two mountings u grows by as much as they scatter beyond their own. An order is kept where it is larger than its 95 % interval.

    Args:
        cycles: one of each mounting, all at the same speed.
        turned_deg: where the unit stood against its first mounting in each of them, in the declared sense; the first is 0.
        u_turned_deg: how well each of these angles is known: an order n of the unit is off by n times as much.

    Raises:
        CalibrationError: a cycle that is not whole, or another speed.
    """
    for cycle in cycles:
        if cycle.status != OK or not cycle.cogging_orders:
            raise CalibrationError(f"cycle {cycle.cycle_no} has no orders to go by: it is {cycle.status}")
        if abs(cycles[0].speed_rpm / cycle.speed_rpm - 1.0) > SPEEDS_APART:
            raise CalibrationError(
                f"the runs were turned at {typed(cycles[0].speed_rpm)} and {typed(cycle.speed_rpm)} rpm; turn all at one speed"
            )
    seen = [
        {n: (cmath.rect(amplitude, phase), u) for n, amplitude, phase, u in each.cogging_orders}
        for each in cycles
    ]
    found, blind = [], []
    for order in sorted(set.intersection(*(set(each) for each in seen))):
        turns = np.exp(-1j * order * np.radians(np.asarray(turned_deg)))
        design = np.stack((np.ones_like(turns), turns), axis=1)
        if not _parted(design):
            blind.append(order)
            continue
        rig, u = _rig_part(design, [each[order] for each in seen], order * math.radians(u_turned_deg))
        if abs(rig) > COVERAGE * u:
            found.append(RigOrder(order, abs(rig), cmath.phase(rig), u))
    return tuple(found), tuple(blind)


def _parted(design: Complex128s) -> bool:
    """Whether mountings (n, 2) tell rig from unit without more than `GAIN_MAX` of the noise."""
    count, common = len(design), abs(design[:, 1].sum())
    return bool(count <= GAIN_MAX**2 * (count**2 - common**2))


def _rig_part(
    design: Complex128s, measured: Sequence[tuple[complex, float]], u_turn: float
) -> tuple[complex, float]:
    """What stays where it was, and the u of each of its components; `u_turn` is that of a mounting's phase against the first."""
    values, u = np.array([value for value, _ in measured]), np.array([each for _, each in measured])
    solved, _ = _solved(design, values, u)
    widened = np.hypot(u, abs(solved[1]) * u_turn * (np.arange(len(u)) > 0))
    solved, variance = _solved(design, values, widened)
    free = 2 * (len(measured) - 2)
    scatter = float(np.sum(np.abs((values - design @ solved) / widened) ** 2))
    grown = math.sqrt(max(1.0, scatter / free)) if free else 1.0
    return complex(solved[0]), grown * math.sqrt(variance)


def _solved(design: Complex128s, values: Complex128s, u: Float64s) -> tuple[Complex128s, float]:
    """Least squares of values (n,) with their u: the two unknowns, and the variance of each component of the first."""
    weighted = design / u[:, None]
    inverse = np.linalg.inv(weighted.conj().T @ weighted)
    return inverse @ weighted.conj().T @ (values / u), float(inverse[0, 0].real)


def unfit_for(record: RigRecord, settings: FixtureSettings) -> str:
    """Why figures of this fixture cannot be net by a record, as a sentence; empty where they can."""
    name = f"Rig record {record.id}"
    if record.fixture != settings.id:
        return f"{name} is of fixture {record.fixture}."
    if record.transducer != settings.transducer.serial:
        worn = settings.transducer.serial or "one without a serial"
        return f"{name} was made with transducer {record.transducer}, the rig has {worn}."
    if settings.encoder.reference == "none":
        return f"{name} gives phases from the encoder's zero, and this encoder has none to come back to."
    if record.reference != settings.encoder.reference:
        return f"{name} refers to an encoder with reference {record.reference}, the rig's is {settings.encoder.reference}."
    return ""


def rig_record_text(record: RigRecord) -> str:
    """In a line for a person: `R-3 (arbor run at 3 rpm, valid from 2026-11-20): 4 orders, friction 12 mN·m`."""
    found = [f"{len(record.orders)} order{'s' if len(record.orders) > 1 else ''}"] if record.orders else []
    if record.friction_nm is not None:
        found.append(f"friction {quantity(record.friction_nm, 'N·m')}")
    return (
        f"{record.id} ({record.how} at {quantity(record.speed_rpm, 'rpm')}, valid from {record.valid_from.date().isoformat()}): "
        f"{', '.join(found)}"
    )
