"""The datasets of rows: columns from the row structs, figures from the one list of figures."""

import types
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import zip_longest
from typing import Any, Union, get_args, get_origin, get_type_hints

import msgspec
import numpy as np
import pyarrow as pa

from nightturn.estimation.figures import FIGURES
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit
from nightturn.model.rows import BUDGET, CURVES, CYCLES, ROW_OF_DATASET, BudgetRow
from nightturn.storage.parquet import TS, Field, column

TEMPERATURE_ROLES = ("bearing", "winding", "housing", "bridge", "ambient")
TIMES = frozenset(
    {"ts", "ts_from", "ts_to", "ts_start", "ts_end", "ts_changed", "ts_changed_from", "ts_changed_to"}
)

_UNITS = {"nm": "N·m", "ns": "ns", "ppm": "ppm", "degc": "°C", "rpm": "rpm", "rad": "rad"}
_KINDS: dict[type, pa.DataType] = {int: pa.int64(), float: pa.float64(), str: pa.string(), bool: pa.bool_()}

_ORDERS = pa.list_(
    pa.struct(
        [
            pa.field("order", pa.int32(), nullable=False),
            pa.field("amplitude_nm", pa.float64(), nullable=False),
            pa.field("phase_rad", pa.float64(), nullable=False),
            pa.field("u_nm", pa.float64(), nullable=False),
            pa.field("origin", pa.string(), nullable=False),
        ]
    )
)
_LINES = pa.list_(
    pa.struct(
        [
            pa.field("phase", pa.string(), nullable=False),
            pa.field("order", pa.float64(), nullable=False),
            pa.field("amplitude_nm", pa.float64(), nullable=False),
        ]
    )
)
_DEFECTS = pa.list_(
    pa.struct(
        [
            pa.field("figure", pa.string(), nullable=False),
            pa.field("angle_deg", pa.float64(), nullable=False),
            pa.field("width_deg", pa.float64(), nullable=False),
            pa.field("height_nm", pa.float64(), nullable=False),
        ]
    )
)
_POINTS = pa.list_(pa.float32())
_REASONS = pa.list_(pa.string())
_ORDER_NUMBERS = pa.list_(pa.int32())

_CURVE_KEYS = (
    column("ts", TS, "", "end of the cycle"),
    column("epoch", pa.int32(), "", "counts device and host boots"),
    column("cycle_no", pa.int32(), "", "counts cycles of the run"),
)
_CURVE_FACTS = (
    column("leg", pa.string(), "", "forward or back unpowered, or hold"),
    column("direction", pa.int32(), "", "sense of turning, +1 as declared positive"),
    column("turns", pa.int32(), "", "whole turns that it is the mean of"),
)
_PACKED = (
    column(
        "torque_nm",
        _POINTS,
        "N·m",
        "over a turn, evenly from angle zero on, without drift; null where no sample was",
    ),
    column("amplitude_nm", _POINTS, "N·m", "peak of the orders 1, 2, ...; empty where the turn has a hole"),
    column(
        "floor_nm", _POINTS, "N·m", "rms that the scatter from turn to turn has there; empty with one turn"
    ),
)

Column = tuple[Field, Callable[[CycleRecord], Any]]


def tables(rows: Sequence[Emit]) -> Iterator[tuple[str, pa.Table]]:
    """One table per dataset that has rows, in the datasets' fixed order; what is no dataset is passed over."""
    by_dataset: defaultdict[str, list[msgspec.Struct]] = defaultdict(list)
    for emit in rows:
        by_dataset[emit.dataset].append(emit.row)
        if isinstance(emit.row, CycleRecord):
            by_dataset[BUDGET] += budget_rows(emit.row)
    for dataset in ROW_OF_DATASET:
        if by_dataset[dataset]:
            yield dataset, table_of(dataset, by_dataset[dataset])
    cycles = [row for row in by_dataset[CYCLES] if isinstance(row, CycleRecord)]
    if any(cycle.curves for cycle in cycles):
        yield CURVES, curves_table(cycles)
    if cycles:
        yield CYCLES, cycles_table(cycles)


def budget_rows(cycle: CycleRecord) -> Iterator[BudgetRow]:
    """The budgets of a cycle's figures, line by line."""
    for figure in cycle.figures:
        for line in figure.budget:
            yield BudgetRow(
                cycle.ts_end,
                cycle.epoch,
                cycle.cycle_no,
                figure.name,
                line.name,
                line.u,
                line.nu,
                line.common,
                line.source,
            )


def table_of(dataset: str, rows: Sequence[msgspec.Struct]) -> pa.Table:
    """Rows of one struct as a table in order of time; times become UTC timestamps, X | None a nullable column."""
    schema = schema_of(dataset)
    ordered = sorted(rows, key=lambda row: getattr(row, schema.names[_time_index(schema)]))
    arrays = [pa.array([getattr(row, field.name) for row in ordered], field.type) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)


def schema_of(dataset: str) -> pa.Schema:
    """The columns of a dataset made of rows, cycles included."""
    if dataset == CYCLES:
        return cycles_table([]).schema
    if dataset == CURVES:
        return curves_table([]).schema
    hints = get_type_hints(ROW_OF_DATASET[dataset])
    return pa.schema([_field(name, hint) for name, hint in hints.items()])


def cycles_table(cycles: Sequence[CycleRecord]) -> pa.Table:
    """One row per cycle: keys, temperatures by role, each figure with its uncertainty, order tables, verdict.

    The run is a key of the folder; as a column too it would contradict it in some readers.
    """
    columns = [*_key_columns(), *_temperature_columns(cycles), *_figure_columns(cycles), *_closing_columns()]
    arrays = [pa.array([value(cycle) for cycle in cycles], field.type) for field, value in columns]
    return pa.Table.from_arrays(arrays, schema=pa.schema([field for field, _ in columns]))


def curves_table(cycles: Sequence[CycleRecord]) -> pa.Table:
    """One row per cycle and leg: torque over a turn, its orders and their floor."""
    rows = [(cycle, curve) for cycle in cycles for curve in cycle.curves]
    columns: list[tuple[Field, list[Any]]] = [
        (field, [getattr(cycle, field.name) for cycle, _ in rows]) for field in _CURVE_KEYS[1:]
    ]
    columns.insert(0, (_CURVE_KEYS[0], [cycle.ts_end for cycle, _ in rows]))
    columns += [(field, [getattr(curve, field.name) for _, curve in rows]) for field in _CURVE_FACTS]
    columns += [(field, [_unpacked(getattr(curve, field.name)) for _, curve in rows]) for field in _PACKED]
    arrays = [pa.array(values, field.type) for field, values in columns]
    return pa.Table.from_arrays(arrays, schema=pa.schema([field for field, _ in columns]))


def _unpacked(packed: bytes) -> list[float | None]:
    values = np.frombuffer(packed, "<f4")
    return [None if value != value else value for value in values.tolist()]  # noqa: PLR0124 - not a number


def unit_of(name: str) -> str:
    """The unit that a column's name ends in."""
    return _UNITS.get(name.rpartition("_")[2], "%" if "_pct_" in name else "")


def _time_index(schema: pa.Schema) -> int:
    return next(i for i, name in enumerate(schema.names) if name in TIMES)


def _field(name: str, hint: Any) -> Field:  # noqa: ANN401 - a type hint may be a class or a union
    nullable = get_origin(hint) in (Union, types.UnionType)
    bare = next(arg for arg in get_args(hint) if arg is not type(None)) if nullable else hint
    kind = TS if name in TIMES else pa.int32() if name == "epoch" else _KINDS[bare]
    return column(name, kind, unit_of(name), "", nullable=nullable)


def _key(name: str, kind: pa.DataType, description: str) -> Column:
    return column(name, kind, unit_of(name), description), lambda cycle: getattr(cycle, name)


def _key_columns() -> list[Column]:
    return [
        _key("epoch", pa.int32(), "counts device and host boots"),
        _key("cycle_no", pa.int32(), "counts cycles of the run"),
        _key("status", pa.string(), "ok, incomplete, refused or not judged"),
        _key("direction", pa.int32(), "sense of the hold, +1 as declared positive"),
        _key("ts_start", TS, "first sample"),
        _key("ts_end", TS, "last sample"),
        _key("record_first", pa.int64(), "first tape record"),
        _key("record_last", pa.int64(), "last tape record"),
        _key("index_first", pa.int64(), "first sample"),
        _key("index_last", pa.int64(), "last sample"),
        _key("speed_rpm", pa.float64(), "measuring speed"),
        _key("setpoint_nm", pa.float64(), "torque held"),
        _key("coverage", pa.float64(), "share of the expected samples that is there"),
        _key("calibration_id", pa.string(), "calibration the figures were made with"),
        _key("config_digest", pa.string(), "digest of the settings used"),
        _key("sums_sha256", pa.string(), "digest of the integer sums, the same on every machine"),
        _key("fingerprint", pa.string(), "numeric environment of the figures"),
    ]


def _temperature_columns(cycles: Sequence[CycleRecord]) -> list[Column]:
    roles = list(TEMPERATURE_ROLES)
    for cycle in cycles:
        roles += sorted(role for role in cycle.temperatures_degc if role not in roles)
    return [
        (
            column(f"temp_{role}_degc", pa.float64(), "°C", f"mean temperature, {role}", nullable=True),
            partial(_temperature, role),
        )
        for role in roles
    ]


def _temperature(role: str, cycle: CycleRecord) -> float | None:
    return cycle.temperatures_degc.get(role)


def _figure_columns(cycles: Sequence[CycleRecord]) -> list[Column]:
    names = list(FIGURES)
    for cycle in cycles:
        names += [figure.name for figure in cycle.figures if figure.name not in names]
    return [each for name in names for each in _columns_of_figure(name)]


def _columns_of_figure(name: str) -> list[Column]:
    spec = FIGURES.get(name)
    unit, title = (spec.unit, spec.title) if spec else (unit_of(name), name)
    parts: tuple[tuple[str, str, pa.DataType, str, str], ...] = (
        ("", "value", pa.float64(), unit, title),
        ("_u", "u", pa.float64(), unit, "standard uncertainty"),
        ("_nu", "nu", pa.float64(), "", "degrees of freedom of the uncertainty"),
        ("_n_rev", "n", pa.int32(), "", "revolutions used"),
        ("_method", "method", pa.int32(), "", "method version"),
        ("_status", "status", pa.string(), "", "ok, incomplete, refused or not judged"),
        ("_reasons", "reasons", _REASONS, "", "why, as sentences"),
        ("_u_rep", "u_rep", pa.float64(), unit, "part of u from the cycle's own scatter"),
        ("_nu_rep", "nu_rep", pa.float64(), "", "its degrees of freedom"),
        ("_u_common", "u_common", pa.float64(), unit, "part of u that all cycles of the run share"),
        ("_kind", "kind", pa.string(), "", "what u holds: budget, or repeatability"),
        ("_measurand", "measurand", pa.string(), "", "what it is a figure of"),
        ("_unseen", "unseen", _ORDER_NUMBERS, "", "declared orders that it could not see"),
    )
    band = (
        (
            column(f"{name}_band_{end}", pa.int32(), "", f"{text} order that it contains", nullable=True),
            partial(_band, name, at),
        )
        for at, (end, text) in enumerate((("low", "lowest"), ("high", "highest")))
    )
    return [
        *(
            (column(name + suffix, kind, part_unit, text, nullable=True), partial(_part, name, attribute))
            for suffix, attribute, kind, part_unit, text in parts
        ),
        *band,
    ]


def _part(name: str, attribute: str, cycle: CycleRecord) -> Any:  # noqa: ANN401 - a cell of any column type
    for figure in cycle.figures:
        if figure.name == name:
            return getattr(figure, attribute)
    return None


def _band(name: str, end: int, cycle: CycleRecord) -> int | None:
    band: tuple[int, int] | None = _part(name, "band", cycle)
    return None if band is None else band[end]


def _symptom(name: str, cycle: CycleRecord) -> Any:  # noqa: ANN401 - a cell of any column type
    if cycle.symptoms is None:
        return None
    found = getattr(cycle.symptoms, name)
    return found if isinstance(found, int) else [msgspec.structs.asdict(each) for each in found]


def _closing_columns() -> list[Column]:
    def orders(
        table: Sequence[tuple[int, float, float, float]], origins: Sequence[str]
    ) -> list[dict[str, object]]:
        # A record from before orders had an origin names none.
        named = zip_longest(table, origins[: len(table)], fillvalue="")
        return [
            {"order": row[0], "amplitude_nm": row[1], "phase_rad": row[2], "u_nm": row[3], "origin": origin}
            for row, origin in named
        ]

    return [
        (
            column("orders", _ORDERS, "", "orders of the hold ripple"),
            lambda cycle: orders(cycle.orders, cycle.origins),
        ),
        (
            column("cogging_orders", _ORDERS, "", "orders of the cogging"),
            lambda cycle: orders(cycle.cogging_orders, cycle.cogging_origins),
        ),
        (
            column("lines", _LINES, "", "orders that are no whole numbers", nullable=True),
            partial(_symptom, "lines"),
        ),
        (
            column("defects", _DEFECTS, "", "deviations at one angle", nullable=True),
            partial(_symptom, "defects"),
        ),
        (
            column("railed", pa.int64(), "", "samples at the end of the range", nullable=True),
            partial(_symptom, "railed"),
        ),
        (
            column("jumps", pa.int64(), "", "steps between samples that no shaft makes", nullable=True),
            partial(_symptom, "jumps"),
        ),
        _key("reasons", _REASONS, "why the cycle has its status"),
        _key("verdict", pa.string(), "accept, reject, undecided or not judged"),
        _key("verdict_reasons", _REASONS, "why"),
        _key(
            "purpose",
            pa.string(),
            "release, or engineering with every reason in the night's verdict, as the run was up to this cycle",
        ),
        _key("limit_words", _REASONS, "met, missed, undecided or not judged, for each limit of the variant"),
    ]
