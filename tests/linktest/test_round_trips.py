"""Round trips: order statistics, bins without gaps, and the bound on a frequency."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.linktest.round_trips import RoundTrips, edge_us, histogram, nearest_rank

DELAYS_US = st.lists(st.floats(0.0, 5e6), max_size=200)


@given(DELAYS_US)
def test_every_round_trip_is_in_the_one_bin_that_holds_it(delays: list[float]) -> None:
    bins = histogram(delays)
    assert [each.count for each in bins] == [
        sum(each.from_us <= delay < each.to_us for delay in delays) for each in bins
    ]
    assert sum(each.count for each in bins) == len(delays)


@given(DELAYS_US.filter(bool))
def test_the_bins_follow_each_other_and_the_outer_ones_are_not_empty(delays: list[float]) -> None:
    bins = histogram(delays)
    assert bins[0].count
    assert bins[-1].count
    assert [each.to_us for each in bins[:-1]] == [each.from_us for each in bins[1:]]


def test_the_edges_are_the_preferred_numbers_r5() -> None:
    # ISO 3:1973, "Preferred numbers", series R5 (from memory)
    assert [edge_us(number) for number in range(11)] == [1, 1.6, 2.5, 4, 6.3, 10, 16, 25, 40, 63, 100]


@pytest.mark.parametrize(("share", "value"), [(0.0, 1), (0.5, 50), (0.99, 99), (1.0, 100)])
def test_the_nearest_rank_of_a_hundred(share: float, value: float) -> None:
    assert nearest_rank([float(n) for n in range(1, 101)], share) == value


def test_nothing_has_no_rank_and_no_bins() -> None:
    facts = RoundTrips().facts()
    assert (facts.min_us, facts.median_us, facts.p99_us, facts.max_us) == (None, None, None, None)
    assert facts.bins == ()


def test_the_frequency_is_bound_by_the_shortest_round_trips_at_both_ends() -> None:
    trips = RoundTrips()
    for at_s, delay_us in ((0, 900), (1, 200), (5, 100), (9, 300), (10, 400), (11, 800)):
        trips.add(at_s * 10**9, delay_us * 1e3, 0.0)
    # (200 + 400) / 2 µs of doubt between 1 s and 10 s; the thirds are (0, 1), (5, 9), (10, 11)
    assert trips.frequency_bound_ppm() == pytest.approx(300 / 9)


def test_too_few_probes_bind_no_frequency() -> None:
    trips = RoundTrips()
    trips.add(0, 1e5, 0.0)
    trips.add(10**9, 1e5, 0.0)
    assert trips.frequency_bound_ppm() is None
