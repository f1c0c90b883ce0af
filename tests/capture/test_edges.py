"""Edges of logic levels, across any split of the samples."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.capture.edges import MARKS_MAX, Edges, Quadrature
from nightturn.errors import TableError

TIME = np.arange(2000) / 1000
TURNED = np.concatenate([np.linspace(0, 3.3, 1200), np.linspace(3.3, 1.1, 800)])


def tracks(turned: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A and B of ten lines a turn, A first when turning forward."""
    phase = 20 * np.pi * turned + 0.2
    return (np.sin(phase) >= 0) * 5.0, (-np.cos(phase) >= 0) * 5.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 1999), max_size=8, unique=True))
def test_counts_follow_the_shaft_both_ways_in_any_pieces(cuts: list[int]) -> None:
    a, b = tracks(TURNED)
    found = Quadrature((0.0, 5.0), (0.0, 5.0))
    edges = [0, *sorted(cuts), 2000]
    parts = [found.take(a[x:y], b[x:y]) for x, y in pairwise(edges)]
    counts = np.concatenate(parts)
    assert np.abs(counts - 40 * TURNED).max() <= 1.5
    assert found.skipped == 0


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 1999), max_size=8, unique=True))
def test_rising_zeros_are_found_between_samples_in_any_pieces(cuts: list[int]) -> None:
    signal = 1.0 + np.sin(2 * np.pi * 5 * (TIME - 0.0313))
    found = Edges(0.0, 2.0)
    edges = [0, *sorted(cuts), 2000]
    for x, y in pairwise(edges):
        found.take(TIME[x:y], signal[x:y])
    assert found.at_s == pytest.approx(0.0313 + 0.2 * np.arange(10), abs=1e-5)
    assert found.taken()[-1:] == found.at_s


def test_noise_about_a_level_makes_no_edges() -> None:
    noisy = np.where(TIME % 0.5 < 0.25, 0.0, 5.0) + np.random.default_rng(1).normal(0, 0.3, 2000)
    found = Edges(0.0, 5.0)
    found.take(TIME, noisy)
    assert len(found.at_s) == 4


def test_too_many_pulses_are_refused() -> None:
    with pytest.raises(
        TableError, match=f"more than {MARKS_MAX} index pulses or periods; give another column"
    ):
        Edges(0.0, 1.0).take(np.arange(2.0 * MARKS_MAX + 4), np.tile([0.0, 1.0], MARKS_MAX + 2))
