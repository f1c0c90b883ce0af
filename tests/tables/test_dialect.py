"""Tables as other programs save them: each is read right, or refused with the line and the remedy."""

import pytest

from nightturn.errors import TableError
from nightturn.tables.choosing import chosen_columns
from nightturn.tables.dialect import sniffed
from nightturn.tables.rows import RowReader

BRIDGE_MV = [[0.0, 1.5], [0.001, -0.25], [0.002, 12.0]]


def read(text: str, *, delimiter: str | None = None, decimal: str | None = None) -> list[list[float]]:
    """Time and torque of a text, in its own units, in the order of a person's question."""
    dialect = sniffed(text.split("\n"), where="f.csv", delimiter=delimiter, decimal=decimal)
    found = chosen_columns(dialect, {}, ("time", "torque"), where="f.csv")
    places = [found[role].at for role in ("time", "torque")] if len(found) == 2 else [0, 1]
    reader = RowReader(dialect, places, "f.csv")
    return [*reader.take(text).tolist(), *reader.end().tolist()]


DIALECTS = {
    "commas and points": "time,torque\n0,1.5\n0.001,-.25\n0.002,12\n",
    "semicolons and decimal commas": "Zeit;Drehmoment\n0,000;1,5\n0,001;-0,25\n0,002;12,0\n",
    "tabs and units in a row of their own": "Time\tCH1\ns\tmV\n0\t1.5\n0.001\t-0.25\n0.002\t12\n",
    "blanks, and names in a comment": "# time  bridge\n  0.0     1.5\n  0.001  -0.25\n  0.002  12.0\n",
    "a preamble of a scope": "Model,invented\nSample interval,1e-3\n\nTIME,CH1\n(s),(mV)\n0,1.5\n1e-3,-2.5E-1\n2e-3,1.2e1\n",
    "quoted decimal commas between commas": '"t","M"\n"0,0","1,5"\n"0,001","-0,25"\n"0,002","12,0"\n',
    "quoted names": '"time (s)";"torque (mV)"\n0;1.5\n0.001;-0.25\n0.002;12\n',
    "the delimiter behind the last column too": "t;torque;\n0;1.5;\n0.001;-0.25;\n0.002;12;\n",
    "units in brackets, columns the other way round": "bridge [mV];t [s]\n1.5;0\n-0.25;0.001\n12;0.002\n",
    "bars": "t|torque\n0|1.5\n0.001|-0.25\n0.002|12\n",
    "no names, a comment at the end, empty lines": "0.0;1.5\n\n0.001;-0.25\n0.002;12.0\n# end\n\n",
    "times of day": "clock;torque\n21:00:00.000;1.5\n21:00:00.001;-0.25\n21:00:00.002;12\n",
    "dates": "time;torque\n2026-11-25 23:59:59,999;1,5\n2026-11-26 00:00:00,000;-0,25\n2026-11-26 00:00:00,001;12,0\n",
    "the last line without an end": "t,torque\n0,1.5\n0.001,-0.25\n0.002,12.0",
}


@pytest.mark.parametrize("text", DIALECTS.values(), ids=DIALECTS.keys())
def test_a_dialect_gives_the_numbers_that_were_written(text: str) -> None:
    found = read(text)
    start = found[0][0]
    assert [each[1] for each in found] == [each[1] for each in BRIDGE_MV]
    assert [each[0] - start for each in found] == pytest.approx([0.0, 0.001, 0.002], abs=1e-9)


def test_names_and_units_are_read_wherever_they_stand() -> None:
    dialect = sniffed(DIALECTS["a preamble of a scope"].split("\n"), where="f.csv")
    assert (dialect.names, [unit.text for unit in dialect.units if unit]) == (("TIME", "CH1"), ["s", "mV"])
    assert dialect.called(1) == "column 2 (CH1, mV)"
    blank = sniffed(["t  bridge mV/V", "0  1.5", "1  2.5"], where="f.csv")
    assert blank.names == ("t", "bridge")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "f.csv: no text in it; save the capture again"),
        ("a;b\nhello;world\n", "f.csv, line 2: no row of numbers: 'hello;world'"),
        ("0,5\n1,5\n", "f.csv, line 1: the commas of '0,5' may part columns of whole numbers or be decimal signs; give --delimiter"),
        (
            "t,m\n0,001,1,5\n0,002,1,6\n",
            "f.csv, line 2: 2 names above, 4 fields in the row: commas part the columns and the decimals; save it with another delimiter",
        ),
        ("t;m\n0;1\n1;abc\n2;1\n", "f.csv, line 3, column 2 (m): 'abc' is no number; write a number, or leave the field empty"),
        ("t;m\n0.1;1\n0.2;1\n0,3;1\n", "f.csv, line 4, column 1 (t): '0,3' is no number; the first rows have the decimal sign '.'"),
        ("t;m\n0;1\n1;2\n2;3;4\n", "f.csv, line 4: 3 fields where the rows before have 2: '2;3;4'; correct or remove the line"),
        ("t;m\n0;1\n1;OVL\n2;3\n", "line 3, column 2 (m): 'OVL' is no number; the instrument was beyond its range there"),
        ("t;m\n0;1\n1;inf\n2;3\n", "line 3, column 2 (m): 'inf' is no number; the instrument was beyond its range there"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said_with_line_and_remedy(text: str, said: str) -> None:
    with pytest.raises(TableError) as caught:
        read(text)
    assert said in str(caught.value)


def test_a_person_settles_what_is_ambiguous() -> None:
    assert read("0,5\n1,5\n2,5\n", delimiter=",") == [[0.0, 5.0], [1.0, 5.0], [2.0, 5.0]]
    dialect = sniffed(["0,5", "1,5"], where="f.csv", decimal=",")
    assert RowReader(dialect, [0], "f.csv").take("0,5\n1,5\n").tolist() == [[0.5], [1.5]]


def test_a_bad_row_near_the_top_is_no_preamble() -> None:
    """Whatever stands above the first two rows of numbers is a preamble; nothing below is dropped in silence."""
    rows = [f"{at};{at}.5" for at in range(30)]
    rows[2] = "2;oops"
    with pytest.raises(TableError, match="line 4, column 2"):
        read("\n".join(["t;torque", *rows]))
