from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.calibration.records import CalibrationRecord
from nightturn.calibration.torque import TorqueScale, torque_scale
from nightturn.errors import CalibrationError
from nightturn.estimation.figures import per_cent_of

VOLTS: dict[str, object] = {"bits": 24, "unit": "V", "scale": 10.0 / 2**23}
RATIO: dict[str, object] = {"bits": 24, "unit": "mV/V", "scale": 4.0 / 2**23}
BY_FACTOR: dict[str, Any] = {"factor_nm_per_v": 4.0}
BY_SENSITIVITY: dict[str, Any] = {"sensitivity_mv_per_v": 2.0, "rated_torque_nm": 20.0}


def scale(entry: dict[str, object] | None = None, **changes: Any) -> TorqueScale:
    fields = {"id": "one", "transducer": "TR-204", "valid_from": datetime(2025, 1, 1, tzinfo=UTC), **changes}
    return torque_scale(CalibrationRecord(**fields), VOLTS if entry is None else entry)


def volts(*values: float) -> np.ndarray:
    return np.array([round(value / (10.0 / 2**23)) for value in values], dtype=np.int32)


def test_ten_millivolts_peak_to_peak_at_four_newton_metres_per_volt() -> None:
    """Common practice, no source: 0.040 N·m, 0.27 % of 15 N·m."""
    torque = scale(**BY_FACTOR, zero_v=0.2).to_nm(volts(0.195, 0.205))
    ripple_nm = float(torque.max() - torque.min())
    assert ripple_nm == pytest.approx(0.040, abs=1e-5)
    assert ripple_nm * per_cent_of(15.0) == pytest.approx(0.2667, abs=1e-3)
    assert f"{ripple_nm * per_cent_of(15.0):.2f}" == "0.27"


def test_a_reversal_step_of_fifty_five_millivolts_is_twice_the_friction() -> None:
    """Common practice, no source: 0.110 N·m, 0.73 % of 15 N·m; 1.47 % when the half is forgotten."""
    ahead, back = scale(**BY_FACTOR, zero_v=-0.1).to_nm(volts(0.0275, -0.0275))
    friction_nm = float(ahead - back) / 2.0
    assert friction_nm == pytest.approx(0.110, abs=1e-5)
    assert f"{friction_nm * per_cent_of(15.0):.2f}" == "0.73"
    assert f"{2.0 * friction_nm * per_cent_of(15.0):.2f}" == "1.47"
    # relative to 0.22 N·m on 20 N·m it is one third better
    assert friction_nm * per_cent_of(15.0) / (0.22 * per_cent_of(20.0)) == pytest.approx(2 / 3, abs=1e-3)


def test_a_sensitivity_gives_rated_torque_at_its_rated_output() -> None:
    ratio = scale(RATIO, **BY_SENSITIVITY)
    assert ratio.to_nm(np.array([2**22], dtype=np.int32))[0] == pytest.approx(20.0, rel=1e-12)
    # the same bridge read in volts at 5 V excitation: 2 mV/V are 10 mV
    in_volts = scale(**BY_SENSITIVITY, excitation_v=5.0)
    assert in_volts.lsb_nm == pytest.approx(20.0 / 0.010 * 10.0 / 2**23, rel=1e-12)


def test_units_that_differ_meet_through_the_excitation() -> None:
    # 4 N·m/V at 5 V excitation are 0.02 N·m per mV/V
    assert scale(RATIO, **BY_FACTOR, excitation_v=5.0).lsb_nm == pytest.approx(0.02 * 4.0 / 2**23, rel=1e-12)
    zero = scale(RATIO, **BY_SENSITIVITY, zero_v=0.001, excitation_v=5.0).zero_count
    assert zero == pytest.approx(0.2 / (4.0 / 2**23), rel=1e-12)
    zero = scale(**BY_FACTOR, zero_mv_per_v=0.2, excitation_v=5.0).zero_count
    assert zero == pytest.approx(0.001 / (10.0 / 2**23), rel=1e-12)


@pytest.mark.parametrize(
    ("entry", "changes"),
    [
        (VOLTS, BY_SENSITIVITY),
        (RATIO, BY_FACTOR),
        (VOLTS, {**BY_FACTOR, "zero_mv_per_v": 0.1}),
        (RATIO, {**BY_SENSITIVITY, "zero_v": 0.1}),
    ],
)
def test_without_the_excitation_unlike_units_are_refused(
    entry: dict[str, object], changes: dict[str, float]
) -> None:
    with pytest.raises(CalibrationError, match="add excitation_v to the record") as caught:
        scale(entry, **changes)
    assert "calibration 'one'" in str(caught.value)


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({**VOLTS, "unit": "mV"}, "unit"),
        ({**VOLTS, "bits": 33}, "bits"),
        ({**VOLTS, "scale": 0.0}, "the scale not zero"),
        ({**VOLTS, "scale": float("nan")}, "must be finite"),
        ({**VOLTS, "offset": float("inf")}, "must be finite"),
        ({"bits": 24, "unit": "V"}, "scale"),
    ],
)
def test_a_sheet_that_cannot_be_used_is_refused(entry: dict[str, object], says: str) -> None:
    with pytest.raises(CalibrationError, match=says) as caught:
        scale(entry, **BY_FACTOR)
    assert "device sheet" in str(caught.value)


def test_a_record_that_contradicts_itself_is_refused() -> None:
    with pytest.raises(CalibrationError, match="gives both"):
        scale(**BY_FACTOR, **BY_SENSITIVITY)


@given(raw=st.lists(st.integers(-(2**23), 2**23 - 1), min_size=1, max_size=50), zero_v=st.floats(-5.0, 5.0))
def test_turning_the_polarity_turns_the_torque_and_nothing_else(raw: list[int], zero_v: float) -> None:
    counts = np.array(raw, dtype=np.int32)
    plus, minus = (scale(**BY_FACTOR, zero_v=zero_v, polarity=polarity) for polarity in (1, -1))
    assert np.array_equal(plus.to_nm(counts), -minus.to_nm(counts))
    assert plus.zero_count == minus.zero_count
    assert (plus.rail_low, plus.rail_high) == (minus.rail_low, minus.rail_high) == (-(2**23), 2**23 - 1)


def test_a_falling_scale_and_an_offset_of_the_sheet_keep_the_zero_in_place() -> None:
    entry = {**VOLTS, "scale": -10.0 / 2**23, "offset": 0.5}
    falling = scale(entry, **BY_FACTOR, zero_v=0.25)
    count = np.array([round(0.5 / (10.0 / 2**23))], dtype=np.int64)  # reads 0.0 V
    assert falling.to_nm(count)[0] == pytest.approx(-1.0, abs=1e-5)
    assert falling.lsb_nm < 0


@given(
    torque_nm=st.floats(0.001, 19.0),
    zero_v=st.floats(-4.0, 4.0),
    polarity=st.sampled_from([1, -1]),
    bits=st.sampled_from([16, 24, 32]),
)
def test_a_limit_trips_at_the_first_count_at_or_beyond_it(
    torque_nm: float, zero_v: float, polarity: int, bits: int
) -> None:
    one = scale(
        {"bits": bits, "unit": "V", "scale": 10.0 / 2 ** (bits - 1)},
        **BY_FACTOR,
        zero_v=zero_v,
        polarity=polarity,
    )
    low, high = one.limit_counts(torque_nm)
    assert low < one.zero_count < high
    torque_low, torque_high = np.abs(one.to_nm(np.array([low, high], dtype=np.int64)))
    inside_low, inside_high = np.abs(one.to_nm(np.array([low + 1, high - 1], dtype=np.int64)))
    rounding_nm = 1e-10  # 1e-12 of the 40 N·m of the channel, and some
    assert min(torque_low, torque_high) >= torque_nm - rounding_nm
    assert max(inside_low, inside_high) < torque_nm + rounding_nm


def test_a_torque_that_falls_on_a_count_trips_on_it() -> None:
    one = scale({"bits": 16, "unit": "V", "scale": 0.001}, **BY_FACTOR)
    assert one.limit_counts(18.0) == (-4500, 4500)
    assert one.limit_counts(18.001) == (-4501, 4501)


def test_a_limit_beyond_the_converter_trips_on_its_rails() -> None:
    one = scale(**BY_FACTOR)
    assert one.limit_counts(100.0) == (one.rail_low, one.rail_high)
    rails_nm = one.to_nm(np.array([one.rail_low, one.rail_high]))
    assert rails_nm == pytest.approx([-40.0, 40.0], rel=1e-6)


@pytest.mark.parametrize("max_nm", [0.0, -1.0, float("nan"), float("inf")])
def test_a_limit_that_is_no_torque_is_refused(max_nm: float) -> None:
    with pytest.raises(CalibrationError, match="positive number"):
        scale(**BY_FACTOR).limit_counts(max_nm)
