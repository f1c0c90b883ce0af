"""The motion lease on the device's clock. It is not a safety function."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.virtual.lease import MotionLease
from nightturn_protocol.messages import Lease, LeaseState


def test_a_lease_lives_from_the_tick_it_echoes() -> None:
    lease = MotionLease()
    assert lease.offer(Lease(1_000_000, 1.0, 2.0, 500, 0), 1_200_000)
    assert lease.lapses_at() == 1_500_000


@pytest.mark.parametrize(
    "bad",
    [
        Lease(1_000_000, 1.0, 2.0, 500, 0),  # as old as the last
        Lease(900_000, 1.0, 2.0, 1000, 0),  # older
        Lease(1_200_001, 1.0, 2.0, 500, 0),  # from the future
        Lease(1_100_000, 1.0, 2.0, 100, 0),  # already over
        Lease(1_100_000, 1.0, 2.0, 0, 0),
        Lease(1_100_000, 1.0, 2.0, 1001, 0),
        Lease(1_100_000, math.nan, 2.0, 500, 0),
        Lease(1_100_000, 1.0, math.inf, 500, 0),
        Lease(1_100_000, -1.0, 2.0, 500, 0),
    ],
    ids=["repeated", "older", "future", "over", "no window", "long window", "nan", "infinite", "negative"],
)
def test_a_bad_lease_is_counted_and_the_old_one_stays(bad: Lease) -> None:
    lease = MotionLease()
    lease.offer(Lease(1_000_000, 1.0, 2.0, 500, 0), 1_000_000)
    assert not lease.offer(bad, 1_200_000)
    assert (lease.refused, lease.deadline, lease.speed_max, lease.state) == (
        1,
        1_500_000,
        1.0,
        LeaseState.LIVE,
    )


def test_a_lapsed_lease_takes_no_new_one_until_cleared() -> None:
    lease = MotionLease()
    lease.offer(Lease(1_000_000, 1.0, 2.0, 500, 0), 1_000_000)
    lease.lapse()
    assert not lease.offer(Lease(1_600_000, 1.0, 2.0, 500, 0), 1_600_000)
    lease.end()  # another session does not unlatch
    assert not lease.offer(Lease(1_650_000, 1.0, 2.0, 500, 0), 1_650_000)
    lease.clear()
    assert lease.offer(Lease(1_700_000, 1.0, 2.0, 500, 0), 1_700_000)


@given(st.lists(st.tuples(st.integers(0, 10**7), st.integers(0, 10**7), st.integers(0, 1500)), max_size=40))
def test_no_sequence_of_leases_outlives_the_newest_tick_echoed_by_more_than_a_second(
    offers: list[tuple[int, int, int]],
) -> None:
    lease = MotionLease()
    for seen, tick, window in offers:
        lease.offer(Lease(seen, 1.0, 1.0, window, 0), tick)
    assert lease.deadline <= max((seen for seen, _, _ in offers), default=0) + 1_000_000
