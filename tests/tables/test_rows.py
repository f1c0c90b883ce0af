"""Rows arrive in pieces of any size, with the line of each; missing values are not numbers."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.errors import TableError
from nightturn.tables.dialect import sniffed
from nightturn.tables.rows import LINE_MAX, RowReader

TEXT = "preamble\n\nt;torque\n" + "".join(f"{at / 100};{at * 3 % 17}.25\n" for at in range(60)) + "# end\n"
DIALECT = sniffed(TEXT.split("\n"), where="f.csv")
WHOLE = RowReader(DIALECT, [1, 0], "f.csv").take(TEXT)


@settings(max_examples=60)
@given(st.lists(st.integers(0, len(TEXT)), max_size=12))
def test_any_split_of_the_text_gives_the_same_rows(cuts: list[int]) -> None:
    reader = RowReader(DIALECT, [1, 0], "f.csv")
    edges = [0, *sorted(cuts), len(TEXT)]
    parts = [reader.take(TEXT[a:b]) for a, b in itertools.pairwise(edges)]
    assert np.array_equal(np.concatenate([*parts, reader.end()]), WHOLE)
    assert WHOLE.shape == (60, 2)


def test_an_empty_field_is_missing_and_its_row_stays() -> None:
    text = "t;torque\n0;1\n1;\n2;nan\n3;4\n"
    reader = RowReader(sniffed(text.split("\n"), where="f.csv"), [0, 1], "f.csv")
    found = reader.take(text)
    assert found[:, 0].tolist() == [0, 1, 2, 3]
    assert [math.isnan(each) for each in found[:, 1]] == [False, True, True, False]


def test_the_line_of_a_row_counts_what_lies_between() -> None:
    text = "head\nt;torque\n0;1\n\n# note\n1;2\n2;3\n"
    reader = RowReader(sniffed(text.split("\n"), where="f.csv"), [0, 1], "f.csv")
    assert len(reader.take(text)) == 3
    assert [reader.line_of(row) for row in range(3)] == [3, 6, 7]


def test_a_line_without_an_end_is_refused() -> None:
    reader = RowReader(DIALECT, [0], "f.csv")
    with pytest.raises(TableError, match=f"longer than {LINE_MAX} characters; this is no table of rows"):
        reader.take("1" * (LINE_MAX + 2))


def test_a_row_of_blanks_with_too_few_fields_is_found() -> None:
    text = "t m\n0 1\n1 2\n2\n3 4\n"
    reader = RowReader(sniffed(text.split("\n"), where="f.csv"), [0], "f.csv")
    with pytest.raises(TableError, match="line 4: 1 fields where the rows before have 2"):
        reader.take(text)
