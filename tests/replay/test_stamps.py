"""Numbers of samples from their time stamps: drifting clocks, gaps, stamps that scatter or come in batches."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.errors import InsufficientSamplesError
from nightturn.replay.stamps import sample_rate

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
RATE_HZ = 1000
N = 12_000


def numbers_with(gaps: list[int], rng: np.random.Generator) -> Ints:
    """Numbers of samples of which so many are missing at places well apart."""
    lost = np.zeros(N, np.int64)
    apart = N // (len(gaps) + 1)
    for at, gap in enumerate(gaps, 1):
        lost[at * apart + int(rng.integers(-200, 200))] = gap
    return np.arange(N) + np.cumsum(lost)


def in_order(stamps: npt.NDArray[np.number]) -> Floats:
    """Stamps as a queue gives them: none before its predecessor, and none with the very same time."""
    return np.asarray(np.maximum.accumulate(stamps.astype(np.float64)) + np.arange(len(stamps)) * 1e-7)


def assert_numbered(found: Ints, true: Ints) -> None:
    """Every sample has its number, but for the few around a gap whose place scatter hides; all gaps are counted."""
    off = (found - found[0]) - (true - true[0])
    assert off[-1] == 0
    assert np.abs(off).max() <= 3
    assert np.count_nonzero(off) <= 0.1 * len(off)


@pytest.mark.parametrize("rate_hz", [200, 1000, 1024, 10_000, 12_500])
@pytest.mark.parametrize("skew", [0.0, 2e-5, -7.3e-5])
def test_a_drifting_clock_is_read_as_its_nominal_rate(rate_hz: int, skew: float) -> None:
    if rate_hz == 1024 and skew:
        return  # not a round number: the nearest ten is taken, which moves nothing but the speed, by 0.4 %
    time = 1.8e9 * (skew == 0) + (100 + np.arange(5000)) / (rate_hz * (1 + skew))
    found = sample_rate(time)
    assert found.rate_hz == rate_hz
    assert found.notes == ()
    assert (np.diff(found.index) == 1).all()


@given(gaps=st.lists(st.integers(1, 1000), max_size=20), start=st.floats(-1e6, 1e6))
@settings(max_examples=30, deadline=None)
def test_even_stamps_are_counted_over_every_gap(gaps: list[int], start: float) -> None:
    true = numbers_with(gaps, np.random.default_rng(len(gaps)))
    found = sample_rate(start + true / RATE_HZ)
    assert (np.diff(found.index) == np.diff(true)).all()
    assert (found.rate_hz, found.notes) == (RATE_HZ, ())
    assert found.index[0] == round(start * RATE_HZ)


@given(
    gaps=st.lists(st.integers(1, 1000), max_size=3),
    width=st.floats(0.6, 2.0),
    seed=st.integers(0, 10_000),
    ppm=st.floats(-40, 40),
)
@settings(max_examples=15, deadline=None)
def test_stamps_that_scatter_by_up_to_two_periods_are_numbered_by_their_grid(
    gaps: list[int], width: float, seed: int, ppm: float
) -> None:
    rng = np.random.default_rng(seed)
    true = numbers_with(gaps, rng)
    stamps = in_order(np.sort(true + rng.uniform(0, width, N)))
    found = sample_rate(stamps / RATE_HZ * (1 + ppm * 1e-6))
    assert found.rate_hz == RATE_HZ
    assert_numbered(found.index, true)
    (note,) = found.notes
    assert note.startswith("time_s scatters by ")
    assert note.endswith(
        " rms about an even grid of 1000 samples a second; the samples are numbered by that grid"
    )


@given(gaps=st.lists(st.integers(1, 1000), max_size=1), batch=st.integers(2, 5))
@settings(max_examples=10, deadline=None)
def test_stamps_of_arrivals_in_batches_are_numbered_by_their_grid(gaps: list[int], batch: int) -> None:
    true = numbers_with(gaps, np.random.default_rng(3))
    found = sample_rate(in_order((true // batch + 1) * batch + true % batch * 0.01) / RATE_HZ)
    assert found.rate_hz == RATE_HZ
    off = (found.index - found.index[0]) - (true - true[0])
    assert np.abs(off).max() <= batch


def test_a_stamp_that_came_late_moves_no_number() -> None:
    rng = np.random.default_rng(7)
    late = rng.exponential(0.3, N) + 3.0 * (rng.random(N) < 1e-3)
    found = sample_rate(in_order(np.arange(N) + late) / RATE_HZ)
    assert (np.diff(found.index) == 1).all()


def test_two_gaps_near_each_other_are_told_apart() -> None:
    rng = np.random.default_rng(2)
    true = np.arange(N) + 2 * (np.arange(N) > 5000) + 5 * (np.arange(N) > 5090)
    found = sample_rate(in_order(np.sort(true + rng.uniform(0, 1.6, N))) / RATE_HZ)
    assert_numbered(found.index, true)


@pytest.mark.parametrize(
    ("time", "message"),
    [
        ([0.0, 0.01, 0.009, 0.02], "time_s does not rise: 0.01 is followed by 0.009"),
        ([0.0, 0.01, 0.01, 0.02], "time_s does not rise: 0.01 is followed by 0.01"),
    ],
)
def test_times_that_do_not_rise_are_refused(time: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=f"^{message}$"):
        sample_rate(np.array(time))


def test_stamps_that_scatter_beyond_all_order_are_refused() -> None:
    stamps = in_order((np.arange(N) // 40 + 1) * 40.0) / RATE_HZ
    with pytest.raises(ValueError, match=r"^time_s is not evenly sampled: stamps lie up to ") as raised:
        sample_rate(stamps)
    assert str(raised.value).endswith(
        " sample periods off an even grid of 1000 samples a second; give the times of the samples, not those of their "
        "arrival"
    )


@pytest.mark.parametrize(
    ("step", "message"),
    [
        (0.1, "10 samples a second; at least 100 are needed. time_s steps by 0.1 from sample to sample, which looks like milliseconds: give seconds, time / 1_000"),
        (1.0, "1 samples a second; at least 100 are needed. time_s steps by 1 from sample to sample, which looks like milliseconds: give seconds, time / 1_000"),
        (1e3, "0.001 samples a second; at least 100 are needed. time_s steps by 1000 from sample to sample, which looks like microseconds: give seconds, time / 1_000_000"),
        (1e6, "0.000001 samples a second; at least 100 are needed. time_s steps by 1000000 from sample to sample, which looks like nanoseconds: give seconds, time / 1_000_000_000"),
        (1e9, "0.000000001 samples a second; at least 100 are needed"),
    ],
)  # fmt: skip
def test_too_few_samples_a_second_say_which_unit_they_look_like(step: float, message: str) -> None:
    with pytest.raises(InsufficientSamplesError) as raised:
        sample_rate(np.arange(50, dtype=np.float64) * step)
    assert str(raised.value) == message
