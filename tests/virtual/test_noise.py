"""Noise of the bridge and the intermittent cable."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.virtual.noise import CABLE_PER_S, CABLE_SAMPLES, PAGE, Cable, Noise
from nightturn.virtual.products import VOLTS_PER_COUNT, Bridge


def noise(**levels: float) -> Noise:
    made = Noise(
        Bridge(**{"white_v": 0.0, "flicker_v": 0.0, "hum_v": 0.0, **levels}), 5, np.random.default_rng(5)
    )
    made.set_rate(1000)
    return made


def stretch(source: Noise, pages: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.concatenate([source.page(number) for number in range(pages)])


def test_white_noise_has_its_level_and_no_memory() -> None:
    samples = stretch(noise(white_v=1e-3), 64) * VOLTS_PER_COUNT
    assert np.std(samples) == pytest.approx(1e-3, rel=0.02)
    centred = samples - samples.mean()
    for lag in (1, 7, PAGE):
        assert abs(np.mean(centred[:-lag] * centred[lag:])) < 0.02 * 1e-6


def test_flicker_noise_has_the_same_power_in_every_octave() -> None:
    samples = stretch(noise(flicker_v=1e-4), 256)
    frequency = np.fft.rfftfreq(len(samples))
    power = np.abs(np.fft.rfft(samples - samples.mean())) ** 2
    octaves = [power[(frequency >= 2.0**-n) & (frequency < 2.0 ** (1 - n))].sum() for n in range(4, 14)]
    assert max(octaves) < 3 * min(octaves)


def test_hum_is_a_steady_sine_across_pages() -> None:
    samples = stretch(noise(hum_v=1e-3), 8) * VOLTS_PER_COUNT
    turn = 2 * np.pi * 50.02 / 1000 * np.arange(len(samples))
    assert samples == pytest.approx(1e-3 * np.sin(turn), abs=1e-9)


def test_without_levels_there_is_no_noise() -> None:
    assert not stretch(noise(), 4).any()


@given(st.permutations(range(6)))
@settings(max_examples=20, deadline=None)
def test_a_page_is_the_same_whatever_was_made_before(order: list[int]) -> None:
    fresh, used = (
        noise(white_v=1e-3, flicker_v=1e-4, hum_v=1e-4),
        noise(white_v=1e-3, flicker_v=1e-4, hum_v=1e-4),
    )
    for number in order:
        assert (used.page(number) == noise_page(fresh, number)).all()


def noise_page(source: Noise, number: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    page = source.page(number).copy()
    source.page(number + 1000)
    source.page(number + 2000)
    return page


def test_an_intermittent_cable_opens_as_often_and_as_long_as_it_says() -> None:
    pages = 20_000
    found = [part for page in range(pages) for part in Cable(3).stretches(page, 1000)]
    assert len(found) == pytest.approx(CABLE_PER_S * pages * PAGE / 1000, rel=0.1)
    lengths = [stop - first for first, stop in found]
    assert min(lengths) >= CABLE_SAMPLES[0]
    assert max(lengths) <= CABLE_SAMPLES[1]


def test_a_worse_cable_opens_more_often() -> None:
    opens = [sum(len(Cable(3, size).stretches(page, 1000)) for page in range(2000)) for size in (1.0, 4.0)]
    assert opens[1] == pytest.approx(4 * opens[0], rel=0.3)
