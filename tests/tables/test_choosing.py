"""Columns are found by what a person says, else by name or unit; two that may be meant are refused."""

import pytest

from nightturn.errors import TableError
from nightturn.tables.choosing import asked_column, chosen_columns, missing_column
from nightturn.tables.dialect import Dialect, sniffed
from nightturn.tables.units import named_with_unit, unit_of


def headed(*names: str) -> Dialect:
    """A table with these columns."""
    zeros = ";".join("0" for _ in names)
    return sniffed([";".join(names), zeros, zeros], where="f.csv")


def test_a_column_is_asked_for_by_name_number_and_unit() -> None:
    dialect = headed("clock", "CH1 (mV)", "CH2")
    assert asked_column(dialect, "torque", "ch1", where="f.csv").at == 1
    third = asked_column(dialect, "torque", "3:mV/V", where="f.csv")
    assert (third.at, third.unit) == (2, unit_of("mV/V"))
    assert asked_column(dialect, "torque", "CH2:mNm", where="f.csv").unit == unit_of("mN·m")


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        (
            "CH9",
            "--torque CH9: no such column; there are column 1 (clock), column 2 (CH1, mV), column 3 (CH2)",
        ),
        ("4", "no such column"),
        ("0", "no such column"),
        ("CH2:furlong", "'furlong' is no unit that is known; give one of s, ms, µs"),
    ],
)
def test_a_column_that_is_not_there_is_said_with_those_that_are(spec: str, said: str) -> None:
    with pytest.raises(TableError) as caught:
        asked_column(headed("clock", "CH1 (mV)", "CH2"), "torque", spec, where="f.csv")
    assert said in str(caught.value)


def test_a_unit_is_enough_and_two_of_a_kind_are_not() -> None:
    found = chosen_columns(
        headed("x (ms)", "y (mV)", "z (deg)"), {}, ("time", "torque", "angle"), where="f.csv"
    )
    assert {role: each.at for role, each in found.items()} == {"time": 0, "torque": 1, "angle": 2}
    with pytest.raises(
        TableError, match=r"column 2 \(CH1, V\) and column 3 \(CH2, V\) may be the torque; give --torque"
    ):
        chosen_columns(headed("t", "CH1 (V)", "CH2 (V)"), {}, ("time", "torque"), where="f.csv")


def test_one_column_is_not_two_things() -> None:
    with pytest.raises(TableError, match="is taken for time and for torque; give each its own column"):
        chosen_columns(headed("t", "torque"), {"time": "1", "torque": "1"}, (), where="f.csv")
    assert "no column is the angle by name or unit; give --angle" in str(
        missing_column(headed("t", "u"), "angle", where="f.csv")
    )


def test_two_columns_of_one_name_are_asked_for_by_number() -> None:
    with pytest.raises(TableError, match="several columns have this name; give its number"):
        asked_column(headed("t", "CH", "ch"), "torque", "CH", where="f.csv")


@pytest.mark.parametrize(
    ("text", "name", "unit"),
    [
        ("Torque [mV]", "Torque", "mV"), ("time_s", "time", "s"), ("M / Nm", "M", "N·m"), ("t in ms", "t", "ms"),
        ("bridge (mV/V)", "bridge", "mV/V"), ("bridge_mV/V", "bridge", "mV/V"), ("pos °", "pos", "°"), ("t (μs)", "t", "µs"),
        ("Drehmoment in N·m", "Drehmoment", "N·m"), ("M (N m)", "M", "N·m"), ("enc [counts]", "enc", "counts"), ("M mNm", "M", "mN·m"),
    ],
)  # fmt: skip
def test_a_name_gives_away_its_unit(text: str, name: str, unit: str) -> None:
    found, of = named_with_unit(text)
    assert of is not None
    assert (found, of.text) == (name, unit)


@pytest.mark.parametrize("text", ["CH1", "bridge", "torque (raw)", "MNm", "a_b", "index"])
def test_what_is_no_unit_is_none(text: str) -> None:
    assert named_with_unit(text)[1] is None
