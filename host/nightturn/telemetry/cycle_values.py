"""What a finished cycle measured, as the keys of its message."""

from collections.abc import Mapping
from typing import Literal

from nightturn.estimation.intervals import half_width
from nightturn.model.figures import INCOMPLETE, OK, REFUSED, CycleRecord
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.telemetry.numbers import UNCERTAINTY_DIGITS, rounded, rounded_beside

MAX_ORDERS = 32

Quality = Literal["good", "uncertain", "bad"]


def measured(record: CycleRecord) -> dict[str, object]:
    """Figures, orders and temperatures by key; the strongest orders of each table."""
    return {
        **_figures(record),
        **_orders("order", record.orders, record.origins),
        **_orders("cogging_order", record.cogging_orders, record.cogging_origins),
        **temperatures(record.temperatures_degc),
    }


def quality(record: CycleRecord) -> Quality:
    """`good`: whole cycle, every figure ok; `bad`: refused, or no figure ok; `uncertain`: between.

    Figures that were not judged count neither way.
    """
    states = [figure.status for figure in record.figures if figure.status != NOT_JUDGED]
    if record.status == REFUSED or OK not in states:
        return "bad"
    if record.status == INCOMPLETE or any(status != OK for status in states):
        return "uncertain"
    return "good"


def _figures(record: CycleRecord) -> dict[str, object]:
    values: dict[str, object] = {}
    for figure in record.figures:
        values[figure.name] = rounded_beside(figure.value, figure.u)
        values[f"{figure.name}_u95"] = rounded(half_width(figure), UNCERTAINTY_DIGITS)
        values[f"{figure.name}_u"] = rounded(figure.u, UNCERTAINTY_DIGITS)
        values[f"{figure.name}_nu"] = rounded(figure.nu)
        values[f"{figure.name}_n_rev"] = figure.n
        values[f"{figure.name}_status"] = figure.status
        values[f"{figure.name}_kind"] = figure.kind
        values[f"{figure.name}_u_common"] = rounded(figure.u_common, UNCERTAINTY_DIGITS)
        if figure.measurand:
            values[f"{figure.name}_measurand"] = figure.measurand
        if figure.band is not None:
            values[f"{figure.name}_band"] = figure.band
        if figure.unseen:
            values[f"{figure.name}_unseen"] = figure.unseen
        if figure.reasons:
            values[f"{figure.name}_reasons"] = figure.reasons
    return values


def _orders(
    prefix: str, table: tuple[tuple[int, float, float, float], ...], origins: tuple[str, ...]
) -> dict[str, object]:
    largest = sorted(table, key=lambda line: -line[1])[:MAX_ORDERS]
    named = dict(
        zip((line[0] for line in table), origins, strict=False)
    )  # none in a record of an older version
    values: dict[str, object] = {}
    for order, amplitude_nm, _phase_rad, u_nm in sorted(largest):
        values[f"{prefix}_{order}_nm"] = rounded_beside(amplitude_nm, u_nm)
        values[f"{prefix}_{order}_nm_u"] = rounded(u_nm, UNCERTAINTY_DIGITS)
        if order in named:
            values[f"{prefix}_{order}_nm_origin"] = named[order]
    return values


def temperatures(by_role: Mapping[str, float]) -> dict[str, object]:
    """Means by role, °C."""
    return {f"temp_{role}_degc": rounded(value) for role, value in sorted(by_role.items())}
