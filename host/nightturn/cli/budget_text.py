"""The uncertainty budgets of a cycle for people and machines: a table for each figure, each line with its share."""

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import msgspec

from nightturn.errors import ConfigError
from nightturn.estimation.budget import shares_pct
from nightturn.estimation.draft import combined
from nightturn.estimation.figures import FIGURES, unit_of
from nightturn.estimation.filter_remarks import unstated_filter
from nightturn.estimation.intervals import band_text, marked
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.spectra import cogging_order
from nightturn.model.figures import INTERVAL_IS, OK, BudgetLine, Figure
from nightturn.model.quantities import fixed, interval, number, quantity

if TYPE_CHECKING:
    from nightturn.fixture.stream import RunSettings
    from nightturn.storage.reader import Run

HEAD = ("line", "u", "share", "source")
WHOLE = "whole"
BESIDE = "not in ±"
U_DIGITS = 2
MANY = 1000.0
"""Degrees of freedom from which on the coverage factor has no digit more."""


class FigureBudget(msgspec.Struct, frozen=True):
    """A figure with its 95 % half width (None where there is none), the lines of its budget, shares in per cent, and its orders.

    `beyond` is what a kept study says of another mounting and another rig; the ± is of what was measured, and does not hold it.
    """

    figure: str
    unit: str
    value: float | None
    u95: float | None
    u: float | None
    nu: float | None
    kind: str
    lines: tuple[BudgetLine, ...]
    shares_pct: tuple[float, ...]
    status: str = OK
    band: str = ""
    beyond: tuple[BudgetLine, ...] = ()


class CycleBudget(msgspec.Struct, frozen=True):
    """The budgets of one cycle of a run; `filter` says what an unstated filter of the torque channel may take, empty where it is stated."""

    fixture: str
    run: str
    cycle_no: int
    figures: tuple[FigureBudget, ...]
    filter: str = ""


def budget_of(run: "Run", cycle_no: int | None) -> CycleBudget:
    """The budgets of a cycle by its number, or of the last one.

    Raises:
        ConfigError: the run has no such cycle with a budget.
        CalibrationError: the file of the variant's studies is damaged.
    """
    rows = run.budget()
    known = sorted({int(number) for number in rows["cycle_no"]})
    if not known or (cycle_no is not None and cycle_no not in known):
        allowed = (
            f"a cycle from {known[0]} to {known[-1]}" if known else "a run that was recorded with budgets"
        )
        what = f"run {run.run} has no budget" + ("" if cycle_no is None else f" of cycle {cycle_no}")
        raise ConfigError(what, where="--budget", allowed=allowed)
    wanted = known[-1] if cycle_no is None else cycle_no
    cycles = run.cycles()
    # A run may count a number twice, when a restart repeats a cycle: the later one is meant.
    cycle = cycles[cycles["cycle_no"] == wanted].iloc[-1].to_dict()
    mine = rows[(rows["cycle_no"] == wanted) & (rows["epoch"] == cycle["epoch"])]
    lines: dict[str, list[BudgetLine]] = {}
    for row in mine.to_dict("records"):
        line = BudgetLine(row["line"], row["u"], row["nu"], bool(row["common"]), row["source"])
        lines.setdefault(row["figure"], []).append(line)
    names = [name for name in FIGURES if f"{name}_status" in cycle]
    settings = _settings_of(run)
    beyond = _beyond(run, settings, cycle, names)
    return CycleBudget(
        run.fixture,
        run.run,
        wanted,
        tuple(_figure(name, cycle, tuple(lines.get(name, ())), beyond.get(name, ())) for name in names),
        "" if settings is None else _unstated(run, settings),
    )


def _settings_of(run: "Run") -> "RunSettings | None":
    """What the run was opened with; None where that cannot be read, so that nobody knows which study or filter is its."""
    from nightturn.fixture.stream import RunSettings

    try:
        return None if run.manifest is None else RunSettings.of(run.manifest)
    except msgspec.DecodeError:
        return None


def _unstated(run: "Run", settings: "RunSettings") -> str:
    """What a filter that neither the rig file nor a sheet of the run states may take from the cogging order."""
    from nightturn.fixture.stream import low_pass_of
    from nightturn_protocol.sheet import parse_sheet

    assert run.manifest is not None
    sheets = [parse_sheet(each.sheet.encode()) for each in run.manifest.sheets]
    if not sheets or all(low_pass_of(settings.fixture, sheet) is not None for sheet in sheets):
        return ""
    plan, order = settings.fixture.plan, cogging_order(settings.variant.pole_pairs, settings.variant.slots)
    fastest_rpm = max(plan.slow_turn.speed_rpm, 0.0 if plan.hold is None else plan.hold.speed_rpm)
    return f"Neither the rig file nor the device's sheet states a filter: {unstated_filter(order, order * fastest_rpm / 60)}."


def _beyond(
    run: "Run", settings: "RunSettings | None", cycle: Mapping[Any, Any], names: Sequence[str]
) -> dict[str, tuple[BudgetLine, ...]]:
    """By figure what the newest study of the variant says."""
    from nightturn.report.mountings import lines_beyond, newest_study

    if settings is None:
        return {}
    study = newest_study(run.stored, settings.card.variant)
    if study is None:
        return {}
    methods = {name: _known(cycle.get(f"{name}_method")) for name in names}
    return {
        name: lines_beyond(study, settings, name, int(method))
        for name, method in methods.items()
        if method is not None
    }


def _figure(
    name: str, cycle: Mapping[Any, Any], lines: tuple[BudgetLine, ...], beyond: tuple[BudgetLine, ...]
) -> FigureBudget:
    value, u, nu = (_known(cycle[f"{name}{suffix}"]) for suffix in ("", "_u", "_nu"))
    u95 = None if u is None or nu is None else coverage_factor(nu) * u
    return FigureBudget(
        name,
        unit_of(name),
        value,
        u95,
        u,
        nu,
        str(cycle[f"{name}_kind"]),
        lines,
        shares_pct(lines),
        str(cycle[f"{name}_status"]),
        _band(name, cycle),
        beyond,
    )


def _band(name: str, cycle: Mapping[Any, Any]) -> str:
    """Which orders it contains, as everywhere; empty where orders mean nothing to it, and in a run of an older version."""
    low, high = (_known(cycle.get(f"{name}_band_{end}")) for end in ("low", "high"))
    if low is None or high is None:
        return ""
    unseen = tuple(int(order) for order in cycle[f"{name}_unseen"])
    return band_text(Figure(name, None, band=(int(low), int(high)), unseen=unseen))


def _known(value: float | None) -> float | None:
    return None if value is None or math.isnan(value) else float(value)


def title(figure: FigureBudget) -> str:
    """`friction_nm: 89.10 ± 0.20 mN·m (not judged); ± is of the whole budget`."""
    if figure.value is None:
        return f"{figure.figure}: no value ({figure.status})"
    wide = math.inf if figure.u95 is None else figure.u95
    said = f"{figure.figure}: {marked(interval(figure.value, wide, figure.unit), figure.status)}"
    said = said if figure.u95 is None else f"{said}; {INTERVAL_IS[figure.kind]}"
    return f"{said}; {figure.band}" if figure.band else said


def rows(figure: FigureBudget) -> list[tuple[str, str, str, str]]:
    """A row for each line, the largest first, and one for the whole."""
    if figure.u is None or figure.nu is None:
        return []
    each = sorted(zip(figure.lines, figure.shares_pct, strict=True), key=lambda pair: -pair[1])
    found = [
        (
            line.name,
            _u(line.u, figure),
            f"{fixed(share, 1)} %",
            f"{line.source}{', common' if line.common else ''}",
        )
        for line, share in each
    ]
    factor = f"± is {fixed(coverage_factor(figure.nu), 2)} u"
    freedom = "" if figure.nu >= MANY else f" ({number(figure.nu, 3)} degrees of freedom)"
    whole = (WHOLE, _u(figure.u, figure), "100 %", f"{factor}{freedom}")
    return [*found, whole, *(_beyond_row(line, figure) for line in figure.beyond)]


def _beyond_row(line: BudgetLine, figure: FigureBudget) -> tuple[str, str, str, str]:
    """What the ± does not hold, and how wide it were with it."""
    assert figure.u is not None
    assert figure.nu is not None
    u, nu = combined((BudgetLine(WHOLE, figure.u, figure.nu, common=False, source=""), line))
    wide = quantity(coverage_factor(nu) * u, figure.unit, digits=U_DIGITS)
    return line.name, _u(line.u, figure), BESIDE, f"{line.source}: ± {wide} with it"


def _u(u: float, figure: FigureBudget) -> str:
    assert figure.u is not None
    return quantity(u, figure.unit, digits=U_DIGITS, beside=figure.u)
