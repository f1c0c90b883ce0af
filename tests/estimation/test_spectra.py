"""Spectra of turns: a hole in one turn holds what the other turns say there, at the centres of the bins."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.spectra import turn_spectra
from nightturn.estimation.turns import Turns

BINS, ORDER, AMPLITUDE_NM = 1024, 84, 0.020


@given(
    hole=st.integers(1, BINS // 3),
    at=st.integers(0, BINS - 1),
    off=st.floats(-0.5, 0.5),
    holed=st.integers(0, 2),
)
def test_a_turn_with_a_hole_has_the_amplitude_of_the_turns_beside_it(
    hole: int, at: int, off: float, holed: int
) -> None:
    # Samples lie off the centres of the bins by the same share of a bin in every turn, as at a speed that divides the rate.
    width = 2 * np.pi / BINS
    angle = (np.arange(BINS) + 0.5 + off) * width
    some = np.ones((3, BINS), np.bool_)
    some[holed, (at + np.arange(hole)) % BINS] = False
    turns = Turns(
        direction=1,
        n=some.astype(np.float64),
        torque_nm=np.where(some, AMPLITUDE_NM * np.cos(ORDER * angle), 0.0),
        offset_rad=np.where(some, off * width, 0.0),
        time_s=np.zeros((3, BINS)),
        whole=np.ones(3, np.bool_),
        step_rad=width,  # one sample a bin: nothing is lost to its width
    )
    spectra, coverage = turn_spectra(turns, turns.torque_nm, 200)
    assert coverage[holed] == 1 - hole / BINS
    # What the slope at the centres leaves of the way to them is the same in every turn; a hole adds nothing to it.
    beside = spectra[(holed + 1) % 3]
    assert np.abs(spectra[holed] - beside).max() < 1e-9 * AMPLITUDE_NM


def test_bins_of_one_sample_beside_bins_of_two_make_no_lines() -> None:
    """4000 samples a turn in 2048 bins: 96 bins of each turn hold one, and order 288 is three periods from one to the next."""
    bins, per_rev, turn_count = 2048, 4000.7, 3  # the samples lie elsewhere in each turn
    at = np.arange(int(per_rev * turn_count)) / per_rev  # turns
    place = np.floor(at * bins).astype(int)
    count = np.bincount(place, minlength=bins * turn_count)
    wave = sum(height * np.cos(2 * np.pi * order * at) for order, height in ((288, 0.050), (36, 0.004)))
    n = np.maximum(count, 1)
    means = np.bincount(place, wave, bins * turn_count) / n
    angle = np.bincount(place, 2 * np.pi * at, bins * turn_count) / n
    centres = (np.arange(bins * turn_count) + 0.5) * 2 * np.pi / bins
    shape = (turn_count, bins)
    turns = Turns(
        direction=1,
        n=count.reshape(shape).astype(np.float64),
        torque_nm=means.reshape(shape),
        offset_rad=(angle - centres).reshape(shape),
        time_s=np.zeros(shape),
        whole=np.ones(turn_count, np.bool_),
        step_rad=2 * np.pi / per_rev,
    )
    assert set(count.tolist()) == {1, 2}
    spectra, _ = turn_spectra(turns, turns.torque_nm, 800)
    sizes = np.abs(spectra)
    assert sizes[:, 288] == pytest.approx(0.050, rel=1e-3)
    assert sizes[:, 36] == pytest.approx(0.004, rel=3e-3)
    sizes[:, [36, 288]] = 0.0
    assert sizes[:, 1:].max() < 2.5e-3 * 0.050 / 5
