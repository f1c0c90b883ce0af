"""The channel at rest: mean, noise and lines of a known signal; and what it says of noise alone or a shaft that moved."""

import numpy as np
import pytest

from nightturn.estimation.at_rest import at_rest, folded_hz

RATE_HZ, SECONDS = 1000.0, 20
TIME_S = np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
STANDS = np.full(len(TIME_S), 0.3)
KNOWN = (("50 Hz mains, 1×", 50.0), ("50 Hz mains, 3×", 150.0), ("alias of the PWM, 1×", 16_123.4))


def noise(seed: int, sigma_nm: float = 0.01) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sigma_nm, len(TIME_S))


def test_each_line_is_found_with_its_size_and_named_by_what_makes_it() -> None:
    sizes = {50.0: 0.004, 150.0: 0.002, 123.4: 0.003, 211.7: 0.0025}
    signal = noise(1) + sum(size * np.sin(2 * np.pi * hz * TIME_S + hz) for hz, size in sizes.items())
    found = at_rest(0.2 + signal, STANDS, RATE_HZ, KNOWN)
    assert found.trouble == ""
    assert found.mean_nm == pytest.approx(0.2, abs=4 * 0.01 / len(TIME_S) ** 0.5)
    assert found.noise_nm == pytest.approx(0.0108, rel=0.03)
    assert len(found.lines) == len(sizes)
    for line in found.lines:
        hz = min(sizes, key=lambda each: abs(each - line.hz))
        assert line.hz == pytest.approx(hz, abs=0.01)
        assert abs(line.amplitude_nm - sizes[hz]) < 2 * line.half_nm
    named = {round(line.hz, 1): line.name for line in found.lines}
    assert named == {50.0: KNOWN[0][0], 150.0: KNOWN[1][0], 123.4: KNOWN[2][0], 211.7: ""}


def test_noise_alone_has_no_line_and_its_interval_holds_the_mean() -> None:
    found = [at_rest(noise(seed), STANDS, RATE_HZ, KNOWN) for seed in range(40)]
    assert sum(len(each.lines) for each in found) <= 3
    held = sum(abs(each.mean_nm) <= each.half_nm for each in found)
    assert held >= 34  # of 40 at 95 %


def test_a_shaft_that_moved_gives_nothing_to_use() -> None:
    moved = STANDS + np.linspace(0.0, 0.01, len(TIME_S))
    assert at_rest(noise(2), moved, RATE_HZ, KNOWN).trouble == "the shaft moved meanwhile"


def test_a_short_stretch_says_so() -> None:
    assert at_rest(noise(3)[:900], STANDS[:900], RATE_HZ, KNOWN).trouble == "too few samples without a gap"


@pytest.mark.parametrize(
    ("hz", "shows"), [(50.0, 50.0), (500.0, 500.0), (950.0, 50.0), (16_123.4, 123.4), (1999.0, 1.0)]
)
def test_what_lies_above_the_band_shows_folded_into_it(hz: float, shows: float) -> None:
    assert folded_hz(hz, RATE_HZ) == pytest.approx(shows)
