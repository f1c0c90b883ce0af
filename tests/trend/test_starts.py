"""Starts of a shaft: each once, under any split, and none at a reversal or behind a gap."""

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from nightturn.trend.starts import REST_CELLS, Starts

RATE_HZ, CPR = 1000.0, 1 << 20
CELL = 50


def moved(*parts: tuple[float, float]) -> np.ndarray:
    """Encoder counts of (seconds, rpm) one after the other."""
    speeds = np.concatenate(
        [np.full(round(seconds * RATE_HZ), rpm / 60 * CPR / RATE_HZ) for seconds, rpm in parts]
    )
    return np.cumsum(speeds).astype(np.int64)


def counted(encoder: np.ndarray, cuts: list[int] | None = None) -> Starts:
    starts = Starts.start(RATE_HZ, CPR)
    edges = sorted({0, len(encoder), *(cut % (len(encoder) + 1) for cut in cuts or [])})
    for low, high in itertools.pairwise(edges):
        starts.add(low, encoder[low:high])
    return starts


def test_each_movement_behind_a_rest_is_a_start() -> None:
    assert counted(moved((1, 0), (2, 3), (1, 0), (2, -3), (1, 0))).count == 2


def test_a_reversal_is_no_start_and_noise_at_rest_is_none() -> None:
    assert counted(moved((1, 0), (2, 3), (2, -3), (2, 3))).count == 1
    noise = np.random.default_rng(1).integers(-20, 21, 20_000)
    assert counted(noise).count == 0


def test_a_shaft_that_turns_when_recording_begins_has_not_started() -> None:
    assert counted(moved((2, 3), (1, 0))).count == 0


def test_behind_a_gap_and_another_boot_nothing_is_known_of_before() -> None:
    for boot in (False, True):
        starts = Starts.start(RATE_HZ, CPR)
        starts.add(0, moved((2, 0)))
        if boot:
            starts.interrupt()
        starts.add(2000 if boot else 9000, moved((2, 3)))
        assert starts.count == 0


@given(
    st.lists(
        st.tuples(st.sampled_from([0.11, 0.3, 0.7]), st.sampled_from([0.0, 3.0, -3.0])),
        min_size=1,
        max_size=8,
    ),
    st.lists(st.integers(0, 10_000), max_size=12),
)
def test_any_split_ends_in_the_same_state(parts: list[tuple[float, float]], cuts: list[int]) -> None:
    encoder = moved(*parts)
    assert counted(encoder, cuts) == counted(encoder)
    moving = np.abs(np.diff(encoder[::CELL])) >= counted(encoder).least
    plain = sum(
        bool(moving[at]) and at >= REST_CELLS and not moving[at - REST_CELLS : at].any()
        for at in range(len(moving))
    )
    assert counted(encoder).count == plain
