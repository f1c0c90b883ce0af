"""Which column of a table is what: by the name, number or unit that a person gave, else by its own name and unit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nightturn.errors import TableError
from nightturn.tables.dialect import Dialect
from nightturn.tables.units import ANGLE, COUNT, LISTED, MASS, RATIO, TIME, TORQUE, VOLTAGE, Unit, unit_of

OF = {
    "time": (TIME,),
    "torque": (TORQUE, VOLTAGE, RATIO),
    "angle": (ANGLE, COUNT),
    "load": (TORQUE, MASS),
    "reading": (VOLTAGE, RATIO),
    "position": (ANGLE,),
}
"""What a column's unit may be of, by what the column is."""
NAMES = {
    "time": {"t", "time", "zeit", "timestamp", "seconds", "elapsed"},
    "torque": {"torque", "moment", "drehmoment", "bridge", "tq", "strain", "m"},
    "angle": {"angle", "winkel", "position", "pos", "phi", "theta", "encoder", "enc", "counts"},
    "a": {"a", "enc_a", "cha"},
    "b": {"b", "enc_b", "chb"},
    "index": {"index", "z", "idx", "mark"},
    "sine": {"sin", "sine"},
    "cosine": {"cos", "cosine"},
    "load": {"load", "mass", "torque", "weight"},
    "reading": {"reading", "output", "indication"},
    "series": {"series", "run"},
    "position": {"position", "pos", "mounting"},
}
"""By which a column is known without being asked for, in lower case."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """One column: its place from 0, and its unit where one is known."""

    at: int
    unit: Unit | None


def asked_column(dialect: Dialect, role: str, spec: str, *, where: str) -> Chosen:
    """The column of `NAME`, `NUMBER`, `NAME:UNIT` or `NUMBER:UNIT`; numbers count from 1.

    Raises:
        TableError: no such column, or the name is that of several.
    """
    wanted, unit = spec.strip(), None
    head, colon, tail = wanted.rpartition(":")
    if colon and wanted not in dialect.names:
        unit = unit_of(tail)
        if unit is None:
            raise TableError(
                f"{where}: --{role} {spec}: {tail!r} is no unit that is known; give one of {LISTED}"
            )
        wanted = head.strip()
    found = [at for at, name in enumerate(dialect.names) if name and name.lower() == wanted.lower()]
    if not found and wanted.isdecimal() and 1 <= int(wanted) <= dialect.columns:
        found = [int(wanted) - 1]
    if len(found) != 1:
        many = "several columns have this name; give its number" if found else "no such column"
        raise TableError(f"{where}: --{role} {spec}: {many}; {_listed(dialect)}")
    return Chosen(found[0], unit or dialect.units[found[0]])


def chosen_columns(
    dialect: Dialect, asked: Mapping[str, str], wanted: Sequence[str], *, where: str
) -> dict[str, Chosen]:
    """The columns of these roles as far as they are there.

    Args:
        dialect: of the table.
        asked: what a person said of a role, as `asked_column` takes it.
        wanted: roles to look for by name and unit where nobody said anything.
        where: the file, for messages.

    Raises:
        TableError: two columns may be meant, or one is meant for two roles.
    """
    found = {role: asked_column(dialect, role, spec, where=where) for role, spec in asked.items()}
    for role in wanted:
        if role in found:
            continue
        at = _by_itself(dialect, role, {each.at for each in found.values()}, where=where)
        if at is not None:
            found[role] = Chosen(at, dialect.units[at])
    places: dict[int, str] = {}
    for role, each in found.items():
        if each.at in places:
            raise TableError(
                f"{where}: {dialect.called(each.at)} is taken for {places[each.at]} and for {role}; give each its own column"
            )
        places[each.at] = role
    return found


def _by_itself(dialect: Dialect, role: str, taken: set[int], *, where: str) -> int | None:
    """The one column that is this by its unit, or by its name; None without any."""
    free = [at for at in range(dialect.columns) if at not in taken]
    named = [at for at in free if dialect.names[at].lower() in NAMES[role] and _fits(dialect.units[at], role)]
    by_unit = [at for at in free if (unit := dialect.units[at]) is not None and unit.of in OF.get(role, ())]
    stamps = [at for at in free if dialect.stamps[at]] if role == "time" else []
    for places in (stamps, named, by_unit):
        if len(places) == 1:
            return places[0]
        if len(places) > 1:
            which = " and ".join(dialect.called(at) for at in places)
            raise TableError(f"{where}: {which} may be the {role}; give --{role} by name or number")
    return None


def _fits(unit: Unit | None, role: str) -> bool:
    return unit is None or role not in OF or unit.of in OF[role]


def missing_column(dialect: Dialect, role: str, *, where: str) -> TableError:
    """The error that no column is this, with those that there are."""
    return TableError(
        f"{where}: no column is the {role} by name or unit; give --{role} by name or number; {_listed(dialect)}"
    )


def _listed(dialect: Dialect) -> str:
    return "there are " + ", ".join(dialect.called(at) for at in range(dialect.columns))
