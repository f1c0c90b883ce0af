"""The step of a shunt check and its uncertainty, and what is expected of it."""

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.calibration.bridge import shunt_step_mv_per_v
from nightturn.calibration.records import CalibrationRecord
from nightturn.calibration.shunt import (
    Expectation,
    Window,
    expectation,
    expected_mv_per_v,
    step_of,
    window_of,
)
from nightturn.calibration.torque import torque_scale
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.tiles import Int64s
from nightturn.settings.rig import Shunt
from nightturn.virtual.chance import mix
from nightturn.virtual.noise import PAGE, Noise
from nightturn.virtual.products import PAN15

CELL = 10
BITS = 24
ALWAYS = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def window(index: int, values: Int64s) -> Window:
    cells = values.reshape(-1, CELL).sum(axis=1)
    return window_of(index, CELL, cells.tolist())


def record(**values: object) -> CalibrationRecord:
    return CalibrationRecord(id="c", transducer="TR-204", valid_from=ALWAYS, **values)  # type: ignore[arg-type]  # keywords


def test_a_window_is_the_mean_of_its_samples_and_the_variance_of_its_cells() -> None:
    found = window_of(100, 2, [20, 24, 28])
    assert found == Window(centre=102.5, mean=12.0, variance=4.0, cells=3)


@given(
    step=st.integers(-4_000_000, 4_000_000),
    level=st.integers(-2_000_000, 2_000_000),
    slope=st.integers(-50, 50),
    waits=st.tuples(st.integers(0, 300), st.integers(0, 300)),
    lengths=st.tuples(st.integers(2, 20), st.integers(2, 20), st.integers(2, 20)),
)
def test_a_linear_drift_cancels_wherever_the_windows_lie(
    step: int, level: int, slope: int, waits: tuple[int, int], lengths: tuple[int, int, int]
) -> None:
    starts = [0, lengths[0] * CELL + waits[0]]
    starts.append(starts[1] + lengths[1] * CELL + waits[1])
    windows = []
    for start, cells, on in zip(starts, lengths, (0, 1, 0), strict=True):
        index = np.arange(start, start + cells * CELL, dtype=np.int64)
        windows.append(window(start, level + slope * index + on * step))
    assert step_of(*windows).counts == pytest.approx(step, abs=1e-6)


def test_degrees_of_freedom_and_uncertainty_are_those_of_the_pooled_cells() -> None:
    # By hand: equal windows at equal distance weigh 1, 1/2 and 1/2; pooled variance (4 + 1 + 1) / 3 = 2.
    windows = [Window(10.0 * n, 0.0, variance, 5) for n, variance in enumerate((4.0, 1.0, 1.0))]
    found = step_of(*windows)
    assert found.nu == 12
    assert found.u_counts == pytest.approx(math.sqrt(2.0 * 1.5))


@pytest.mark.parametrize("rate_hz", [1000, 10_000])
def test_the_interval_covers_at_least_what_it_says_under_slow_noise(rate_hz: int) -> None:
    """White noise, 1/f noise and hum of the virtual bridge: windows of 1 s in cells of 0.1 s, 0.4 s between them."""
    inside, wide = 0, []
    seeds, repeats = 40, 10
    for seed in range(seeds):
        noise = Noise(PAN15.bridge, mix(seed, 2), np.random.default_rng(mix(seed, 3)))
        noise.set_rate(rate_hz)
        for repeat in range(repeats):
            first = (repeat * 2000 + 37) * rate_hz
            stop = first + 5 * rate_hz
            pages = [noise.page(number) for number in range(first // PAGE, stop // PAGE + 1)]
            samples = np.concatenate(pages)[first % PAGE :]
            windows = []
            for number in range(3):
                start = round(number * 1.4 * rate_hz)
                cells = samples[start : start + rate_hz].reshape(10, -1).sum(axis=1)
                windows.append(window_of(start, rate_hz // 10, np.rint(cells).astype(np.int64).tolist()))
            found = step_of(*windows)
            wide.append(coverage_factor(found.nu) * found.u_counts)
            inside += abs(found.counts) < wide[-1]
    # binomial(400, 0.95): fewer than 364 happens once in a thousand times
    assert inside >= 364
    # and the interval says something: the step of the virtual shunt is 2 V, 0.02 % of it are 400 µV
    assert np.mean(wide) * 20 / 2**24 < 400e-6


MV = {"bits": BITS, "unit": "mV/V", "scale": 1e-6}
VOLT = {"bits": BITS, "unit": "V", "scale": 20 / 2**24}


def expected(shunt: Shunt, by: CalibrationRecord, sheet: dict[str, object]) -> Expectation:
    unit, per_count = sheet["unit"], sheet["scale"]
    assert isinstance(unit, str)
    assert isinstance(per_count, float)
    found = expectation(shunt, by, torque_scale(by, sheet), unit, per_count)
    assert (found.unit, found.unit_per_count) == (unit, per_count)
    return found


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_resistor_on_a_sheet_in_mv_per_v_needs_nothing_but_the_record(polarity: int) -> None:
    # By hand: 87 325 ohm across 350 ohm gives 1 mV/V (see test_bridge), half of 2 mV/V at 20 N·m.
    by = record(sensitivity_mv_per_v=2.0, rated_torque_nm=20.0, polarity=polarity)
    found = expected(Shunt(resistance_ohm=87_325.0), by, MV)
    assert found.nm == pytest.approx(10.0, rel=1e-12)
    assert found.why == ""


def test_a_resistor_on_a_sheet_in_volts_needs_the_excitation() -> None:
    by = record(sensitivity_mv_per_v=2.0, rated_torque_nm=20.0, excitation_v=5.0)
    assert expected(Shunt(resistance_ohm=87_325.0), by, VOLT).nm == pytest.approx(10.0, rel=1e-12)
    nothing = expected(Shunt(resistance_ohm=87_325.0), record(factor_nm_per_v=4.0), VOLT)
    assert nothing.nm is None
    assert "no excitation_v" in nothing.why
    assert "give step_nm" in nothing.why


def test_what_the_certificate_says_stands_as_it_is() -> None:
    assert expected(Shunt(step_nm=8.0), record(factor_nm_per_v=4.0), VOLT).nm == 8.0
    assert expected_mv_per_v(Shunt(step_nm=8.0)) is None


def test_without_resistor_and_certificate_nothing_is_expected() -> None:
    nothing = expected(Shunt(), record(factor_nm_per_v=4.0), VOLT)
    assert nothing.nm is None
    assert "neither resistance_ohm nor step_nm" in nothing.why


def test_another_arm_is_another_step() -> None:
    assert expected_mv_per_v(Shunt(resistance_ohm=1e5, arm_ohm=120.0)) == shunt_step_mv_per_v(1e5, 120.0)
