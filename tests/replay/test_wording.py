"""How a difference reads: as many digits as matter, how far apart, and of an order table only what differs."""

import math

import pytest

from nightturn.replay.wording import change

TABLE = ((1, 0.002, 0.5, 1e-5), (16, 0.0019974, -0.8, 1e-5), (32, 0.0055, 0.1, 1e-5))


@pytest.mark.parametrize(
    ("was", "now", "text"),
    [
        (0.08910, 0.08912, "0.08910 -> 0.08912 (2.2 × 10⁻⁴ relative)"),
        (5.0, 5.5, "5.000 -> 5.500 (0.091 relative)"),
        (1.0, 1.0 + 1e-12, "1.000000000000 -> 1.000000000001 (1.0 × 10⁻¹² relative)"),
        (1.0, math.nextafter(1.0, 2.0), "1.0000000000000000 -> 1.0000000000000002 (2.2 × 10⁻¹⁶ relative)"),
        (0.0, 1e-3, "0.000 -> 0.001000 (1.0 relative)"),
        (math.nan, 1.0, "nan -> 1"),
        (-math.inf, 2.5e-13, "−inf -> 0.00000000000025"),
        (-9.4e-05, 9.4e-05, "−0.00009400 -> 0.00009400 (2.0 relative)"),
        (1234500.0, 1234600.0, "1234500 -> 1234600 (8.1 × 10⁻⁵ relative)"),
        (None, 0.0891030405, "None -> 0.089103"),
        ("accept", "reject", "accept -> reject"),
        (("a", "b"), ("a", "c"), "b -> c"),
        (("a",), (), "a -> (none)"),
        ({"housing": 20.0}, {"housing": 20.5}, "housing 20.00 -> 20.50 (0.024 relative)"),
        ({"housing": 20.0}, {}, "housing 20 -> None"),
    ],
)
def test_a_change_has_as_many_digits_as_matter(was: object, now: object, text: str) -> None:
    assert change(was, now) == text


def test_an_order_table_names_what_is_gone_what_came_and_the_order_that_differs_most() -> None:
    now = ((1, 0.002 * (1 + 1e-6), 0.5, 1e-5), (16, 0.0019984, -0.8, 1e-5), (33, 0.0055, 0.1, 1e-5))
    assert change(TABLE, now) == (
        "not seen: 32; not expected: 33; "
        "2 of 3 orders differ, most order 16: amplitude_nm 0.001997 -> 0.001998 (5.0 × 10⁻⁴ relative)"
    )


def test_a_phase_that_went_over_the_half_turn_does_not_count_as_far() -> None:
    was = ((1, 0.002, math.pi, 1e-5), (2, 0.002, 0.1, 1e-5))
    now = ((1, 0.002, -math.pi, 1e-5), (2, 0.002, 0.2, 1e-5))
    assert change(was, now).startswith("2 of 2 orders differ, most order 2: phase_rad 0.1000 -> 0.2000")
