"""Numbers as people read them: two digits of the ±, one unit for both, no exponent, no minus zero."""

import re
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from nightturn.model.quantities import (
    bytes_text,
    deviation,
    fixed,
    interval,
    number,
    quantity,
    round_to_digits,
    scientific,
    significant,
    span,
    typed,
)


@pytest.mark.parametrize(
    ("value", "half_width", "beside", "text"),
    [
        (0.11543, 0.00022, 0.150, "115.43 ± 0.22 mN·m"),
        (0.11543, 0.000094, 0.150, "115.430 ± 0.094 mN·m"),
        (0.11543, 0.0000996, 0.150, "115.43 ± 0.10 mN·m"),
        (15.2, 0.31, 0.0, "15.20 ± 0.31 N·m"),
        (0.9, 0.013, 1.5, "0.900 ± 0.013 N·m"),
        (0.00002, 0.0000041, 0.0, "20.0 ± 4.1 µN·m"),
        (-0.000004, 0.0021, 0.0, "0 ± 2100 µN·m"),
        (0.000821, 0.000167, 0.0, "820 ± 170 µN·m"),
        (-0.00086, 0.000167, 0.0, "−860 ± 170 µN·m"),
        (-0.0000004, 0.0021, 0.150, "0.0 ± 2.1 mN·m"),
        (3.0, 0.0, 0.0, "3.000 ± 0 N·m"),
        (12.0, 34.0, 0.0, "12 ± 34 N·m"),
        (12.0, 341.0, 0.0, "10 ± 340 N·m"),
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


@pytest.mark.parametrize(
    ("value", "half_width", "text"),
    [
        (0.0021, 0.0042, "+0.0021 ± 0.0042 %"),
        (-0.0005, 0.0042, "−0.0005 ± 0.0042 %"),
        (0.0, 0.0042, "0.0000 ± 0.0042 %"),
        (-0.00001, 0.0042, "0.0000 ± 0.0042 %"),
    ],
)
def test_a_deviation_has_its_sign(value: float, half_width: float, text: str) -> None:
    assert deviation(value, half_width, "%") == text


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_no_number_has_an_exponent_or_a_negative_zero(value: float, half_width: float) -> None:
    text = interval(value, half_width, "N·m")
    assert "e" not in text
    assert not re.search(r"−0(\.0*)? ", text)
    assert text.count("±") == 1


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (fixed(-0.0004, 3), "0.000"),
        (fixed(-0.04, 1, signed=True), "0.0"),
        (fixed(0.04, 1, signed=True), "+0.0"),
        (fixed(-12.25, 1), "−12.2"),
        (number(9.4e-05), "0.000094"),
        (number(1200.0), "1200"),
        (number(1.6, 2), "1.6"),
        (number(float("nan")), "nan"),
        (number(float("-inf")), "−inf"),
        (quantity(float("inf"), "rpm"), "inf rpm"),
        (span(-0.0015, 12.3456, "N·m"), "−0.0015 to 12.35 N·m"),
        (span(-0.1504, 0.02, "N·m"), "−150.4 to 20 mN·m"),
        (span(-30.0, 300.0, "°"), "−30 to 300 °"),
        (significant(0.0891, 4), "0.08910"),
        (significant(0.0891, 4, zeros=False), "0.0891"),
        (significant(-1.5e-12, 2), "−0.0000000000015"),
        (significant(5000.0, 4), "5000"),
        (significant(123456.0, 4), "123456"),
        (significant(-0.0, 4), "0.000"),
        (significant(float("nan"), 4), "nan"),
        (significant(float("-inf"), 4), "−inf"),
        (scientific(2.23e-16), "2.2 × 10⁻¹⁶"),
        (scientific(-9.96e-5), "−1.0 × 10⁻⁴"),
        (scientific(1234.0, 3), "1.23 × 10³"),
        (scientific(1e-9, 1), "10⁻⁹"),
        (scientific(2e-9, 1), "2 × 10⁻⁹"),
        (scientific(0.0241), "0.024"),
        (scientific(0.0), "0.0"),
        (scientific(float("inf")), "inf"),
        (typed(-2400.0), "-2400"),
        (typed(9.4e-05), "0.000094"),
        (typed(1e20), "100000000000000000000"),
        (bytes_text(999), "999 bytes"),
        (bytes_text(227_521), "227.5 kB"),
        (bytes_text(41_300_000), "41.3 MB"),
        (bytes_text(2 * 10**12), "2 TB"),
    ],
)
def test_numbers_without_a_half_width_have_neither_exponent_nor_minus_zero(text: str, wanted: str) -> None:
    assert text == wanted


@given(st.floats(-1e12, 1e12))
def test_a_typed_number_is_read_back_as_it_is(value: float) -> None:
    assert float(typed(value)) == value
    assert "e" not in typed(value)


@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(1, 17))
def test_the_digits_of_a_text_are_those_of_the_rounded_number(value: float, digits: int) -> None:
    """Decimal holds the written number exactly, whatever its size, so nothing is rounded a second time here."""
    text = significant(value, digits).replace("−", "-")
    assert "e" not in text
    if abs(value) >= 10**digits:
        assert float(text) == round(value)
    else:
        assert float(text) == round_to_digits(value, digits)
        assert abs(Decimal(value) - Decimal(text)) <= abs(Decimal(value)) * Decimal(10) ** (1 - digits) / 2


@given(st.floats(1e-12, 1e12), st.integers(2, 10))
@example(101.0, 2)
def test_a_power_of_ten_is_read_back_as_the_rounded_number(value: float, digits: int) -> None:
    """From a thousandth to a thousand there is no power of ten, and then a whole number stands in full."""
    whole = 10**digits <= value < 1e3
    mantissa, _, power = scientific(value, digits).partition(" × 10")
    exponent = power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")) or "0"
    assert float(f"{mantissa}e{exponent}") == (round(value) if whole else round_to_digits(value, digits))


@pytest.mark.parametrize(
    ("value", "digits", "rounded"),
    [(0.123456, 4, 0.1235), (-9.9996, 4, -10.0), (1e-300, 3, 1e-300), (float("inf"), 4, float("inf"))],
)
def test_a_value_that_is_kept_has_so_many_digits(value: float, digits: int, rounded: float) -> None:
    assert round_to_digits(value, digits) == rounded
