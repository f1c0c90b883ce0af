"""Numbers as people read them: two digits of the ±, one unit for both, no exponent, no minus zero."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.model.quantities import interval, quantity


@pytest.mark.parametrize(
    ("value", "half_width", "beside", "text"),
    [
        (0.11543, 0.00022, 0.150, "115.43 ± 0.22 mN·m"),
        (0.11543, 0.000094, 0.150, "115.430 ± 0.094 mN·m"),
        (0.11543, 0.0000996, 0.150, "115.43 ± 0.10 mN·m"),
        (15.2, 0.31, 0.0, "15.20 ± 0.31 N·m"),
        (0.9, 0.013, 1.5, "0.900 ± 0.013 N·m"),
        (0.00002, 0.0000041, 0.0, "20.0 ± 4.1 µN·m"),
        (-0.000004, 0.0021, 0.0, "−4 ± 2100 µN·m"),
        (-0.0000004, 0.0021, 0.150, "0.0 ± 2.1 mN·m"),
        (3.0, 0.0, 0.0, "3.000 ± 0 N·m"),
        (12.0, 34.0, 0.0, "12 ± 34 N·m"),
        (12.0, 341.0, 0.0, "12 ± 341 N·m"),
        (0.2, float("inf"), 0.0, "200.0 mN·m, ± not known"),
    ],
)
def test_a_value_is_given_to_two_digits_of_its_interval(
    value: float, half_width: float, beside: float, text: str
) -> None:
    """JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty, the value to the same place."""
    assert interval(value, half_width, "N·m", beside=beside) == text


def test_the_worked_example_of_the_gum_is_written_as_there() -> None:
    """JCGM 100:2008, 7.2.2 and 7.2.6: m_S = 100.021 47 g with U = 0.000 79 g (7.2.4); from memory."""
    assert interval(100.02147, 0.00079, "g") == "100.02147 ± 0.00079 g"


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.150, "N·m", "150 mN·m"),
        (1.5, "N·m", "1.5 N·m"),
        (0.1234567, "N·m", "123.5 mN·m"),
        (0.0, "N·m", "0 N·m"),
        (9.4e-05, "N·m", "94 µN·m"),
        (0.6, "%", "0.6 %"),
        (-30.0, "rpm", "−30 rpm"),
        (120000.0, "N·m", "120000 N·m"),
    ],
)
def test_a_limit_is_written_without_needless_zeros(value: float, unit: str, text: str) -> None:
    assert quantity(value, unit) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_no_number_has_an_exponent_or_a_negative_zero(value: float, half_width: float) -> None:
    text = interval(value, half_width, "N·m")
    assert "e" not in text
    assert not re.search(r"−0(\.0*)? ", text)
    assert text.count("±") == 1
