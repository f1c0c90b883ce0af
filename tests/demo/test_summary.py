"""The table's cells."""

import pytest

from nightturn.demo.summary import _pm


@pytest.mark.parametrize(
    ("pair", "text"),
    [
        ((0.080912, 0.00031), "0.08091 ± 0.00031"),
        ((0.089103, 0.0000312), "0.089103 ± 0.000031"),
        ((0.119, 0.0137), "0.119 ± 0.014"),
        ((12.3, 1.04), "12.3 ± 1.0"),
        ((0.08, 0.0), "0.0800"),
        (None, "-"),
    ],
)
def test_value_and_uncertainty_end_at_the_second_digit_of_the_uncertainty(
    pair: tuple[float, float] | None, text: str
) -> None:
    # JCGM 100:2008 (GUM), 7.2.6: uncertainty to at most two significant digits, the estimate rounded to match.
    assert _pm(pair) == text
