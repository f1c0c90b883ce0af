"""Estimates of series that are not watched, compared as figures are: the last digits of another environment are no difference."""

import msgspec

from nightturn.model.facts import TrendFitted
from nightturn.model.trends import Fitted, Rate, Rolled
from nightturn.replay.differences import course_differences

SERIES = Rolled(
    "slot_orders_nm", 1, 40, 1, 0.01, 1e-4, 640, 0.01, 1e-4, (Rate("strokes", 1e-5, 1e-6, 2e-6),), "as it is"
)


def fact(series: Rolled, fingerprint: str) -> TrendFitted:
    return TrendFitted("rolling", 0, 40, Fitted(0, None, None, (), (), (), fingerprint, rolled=(series,)))


def test_a_last_digit_is_a_difference_under_one_fingerprint_alone_and_a_larger_one_always() -> None:
    (rate,) = SERIES.rates
    turned = msgspec.structs.replace(
        SERIES, rates=(msgspec.structs.replace(rate, slope=rate.slope * (1 + 1e-12)),)
    )
    other = msgspec.structs.replace(SERIES, rates=(msgspec.structs.replace(rate, slope=rate.slope * 1.01),))
    assert course_differences([(fact(SERIES, "one"), fact(turned, "another"))]) == []
    assert len(course_differences([(fact(SERIES, "one"), fact(turned, "one"))])) == 1
    assert len(course_differences([(fact(SERIES, "one"), fact(other, "another"))])) == 1
    assert course_differences([(fact(SERIES, "one"), fact(SERIES, "one"))]) == []
