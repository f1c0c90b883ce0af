"""The order tables of a cycle for people and machines: each order with its size, its ± and where it comes from."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import msgspec

from nightturn.errors import ConfigError
from nightturn.model.figures import OK
from nightturn.model.quantities import quantity

if TYPE_CHECKING:
    from nightturn.storage.reader import Run

HEAD = ("order", "peak", "u", "phase", "origin")
COLUMNS = ("orders", "cogging_orders")
STATUSES = ("ripple_pp_nm_status", "cogging_pp_nm_status")
U_DIGITS = 2


class OrderRow(msgspec.Struct, frozen=True):
    """One order: peak and standard uncertainty of each component, N·m, phase at the encoder's zero, rad, and its origin in words."""

    order: int
    amplitude_nm: float
    phase_rad: float
    u_nm: float
    origin: str


class CycleOrders(msgspec.Struct, frozen=True):
    """The order tables of one cycle of a run, as they are at the unit; the statuses are those of the peak-to-peak figures."""

    fixture: str
    run: str
    cycle_no: int
    ripple: tuple[OrderRow, ...]
    cogging: tuple[OrderRow, ...]
    ripple_status: str
    cogging_status: str


def orders_of(run: "Run", cycle_no: int | None) -> CycleOrders:
    """The order tables of a cycle by its number, or of the last one.

    Raises:
        ConfigError: the run has no such cycle.
    """
    cycles = run.cycles()
    known = sorted({int(number) for number in cycles["cycle_no"]})
    if not known or (cycle_no is not None and cycle_no not in known):
        allowed = f"a cycle from {known[0]} to {known[-1]}" if known else "a run with cycles"
        what = f"run {run.run} has no cycle" + ("" if cycle_no is None else f" {cycle_no}")
        raise ConfigError(what, where="--orders", allowed=allowed)
    wanted = known[-1] if cycle_no is None else cycle_no
    # A run may count a number twice, when a restart repeats a cycle: the later one is meant.
    cycle = cycles[cycles["cycle_no"] == wanted].iloc[-1]
    ripple, cogging = (tuple(_row(each) for each in cycle[column]) for column in COLUMNS)
    statuses = (str(cycle[column]) for column in STATUSES)
    return CycleOrders(run.fixture, run.run, wanted, ripple, cogging, *statuses)


def none_text(status: str) -> str:
    """Why a table is empty: no order was above the noise, or nothing was measured."""
    return "no order above the noise" if status == OK else f"no orders, because the figure is {status}"


def _row(each: Mapping[str, Any]) -> OrderRow:
    return OrderRow(
        int(each["order"]),
        float(each["amplitude_nm"]),
        float(each["phase_rad"]),
        float(each["u_nm"]),
        each.get("origin") or "",  # files of an older version name none
    )


def order_rows(table: Sequence[OrderRow]) -> list[tuple[str, str, str, str, str]]:
    """A row for each order, rising."""
    return [
        (
            str(each.order),
            quantity(each.amplitude_nm, "N·m", digits=3, beside=each.u_nm),
            quantity(each.u_nm, "N·m", digits=U_DIGITS),
            quantity(each.phase_rad, "rad", digits=3),
            each.origin,
        )
        for each in table
    ]
