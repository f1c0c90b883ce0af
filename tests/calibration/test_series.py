"""Readings of a channel with known errors: each is found, and the interval of the factor holds the truth."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from msgspec import UNSET

from nightturn.calibration.due import validity_text
from nightturn.calibration.making import BOUND_K, Signed, record_of_certificate, record_of_readings
from nightturn.calibration.records import encode_line, parse
from nightturn.calibration.series import Calibrated, Reading, calibrated, said
from nightturn.errors import CalibrationError
from nightturn.model.certificates import Certificate, Expanded

STEPS = (4.0, 8.0, 12.0, 16.0, 20.0)
NOW = datetime(2026, 11, 28, tzinfo=UTC)
SIGNED = Signed(
    id="TR-204/2", transducer="TR-204", certificate="", signed_by="R. Vale", valid_from=NOW, valid_days=365
)


def taken(
    *, slope: float = 0.25, cubic: float = 0.0, hysteresis: float = 0.0, zero_return: float = 0.0, noise: float = 2e-5, remount: float = 0.0,
    minus: float = 1.0, seed: int = 1, positions: tuple[float, ...] = (0.0, 0.0, 120.0, 240.0),
) -> list[Reading]:  # fmt: skip
    """Series up and down in both senses, V of N·m, of a channel with these errors."""
    rng = np.random.default_rng(seed)
    out: list[Reading] = []
    for at, position in enumerate(positions):
        mounted = slope * (1 + remount * rng.normal() * (position > 0))
        for sense in (1, -1):
            own = mounted * (minus if sense < 0 else 1.0)
            walk = [
                (0.0, False),
                *((t, False) for t in STEPS),
                *((t, True) for t in reversed(STEPS[:-1])),
                (0.0, True),
            ]
            for torque, falling in walk:
                t = sense * torque
                bent = sense * hysteresis * np.sin(np.pi * torque / STEPS[-1]) if falling and torque else 0.0
                zero = 0.013 + (zero_return if falling and not torque else 0.0)
                out.append(
                    Reading(
                        t,
                        float(zero + own * t + cubic * t**3 + bent + rng.normal(0, noise)),
                        2 * at + (sense < 0),
                        position,
                    )
                )
    return out


def test_a_straight_channel_gives_its_factor_and_its_sign() -> None:
    found = calibrated(taken(slope=-0.25 * 1.007))
    assert found.slope == pytest.approx(-0.25 * 1.007, rel=1e-5)
    assert (found.cubic, found.full_scale_nm, found.series) == (0.0, 20.0, 8)
    record = record_of_readings(found, {"arm": 1e-4, "gravity": 6e-5}, "V", SIGNED)
    assert record.factor_nm_per_v == pytest.approx(4.0 / 1.007, rel=1e-5)
    assert record.polarity == -1
    assert isinstance(record.uncertainty, Certificate)
    assert record.uncertainty.factor_rel == pytest.approx(np.hypot(found.u_slope_rel, np.hypot(1e-4, 6e-5)))
    assert parse(encode_line(record), where="f") == (record,)


def test_each_error_of_a_channel_is_found_at_its_size() -> None:
    full = 0.25 * 20.0
    bent = calibrated(taken(hysteresis=1e-3 * full))
    assert bent.hysteresis == pytest.approx(0.5e-3 * np.sin(np.pi * 0.4), rel=0.05)
    assert calibrated(taken(zero_return=5e-4 * full)).zero_return == pytest.approx(5e-4, rel=0.05)
    unlike = calibrated(taken(minus=0.998))
    assert unlike.asymmetry == pytest.approx(0.002, rel=0.05)
    mounted = calibrated(taken(remount=1e-3))
    assert mounted.reproducibility is not None
    assert mounted.repeatability is not None
    assert mounted.reproducibility > 2e-4 > 3 * mounted.repeatability


def test_two_series_in_one_position_repeat_and_positions_reproduce_by_the_spread_over_the_mean() -> None:
    """Own arithmetic, as generic definitions have it: |X1 - X2| over their mean in one position, and the spread of positions over theirs.

    Readings at full load 1.00012, 1.00010 in one position, 1.00020 and 1.00006 in others. Tables of EURAMET cg-14, DIN 51309 or BS 7882 were not
    readable, and nothing here claims them.
    """
    full = ((1.00012, 0.0), (1.00010, 0.0), (1.00020, 120.0), (1.00006, 240.0))
    readings = [
        Reading(torque, size * torque / STEPS[-1], series, position)
        for series, (size, position) in enumerate(full)
        for torque in (0.0, *STEPS, *reversed(STEPS[:-1]), 0.0)
    ]
    found = calibrated(readings)
    assert found.repeatability == pytest.approx(0.00002 / 1.00011, rel=1e-9)
    assert found.reproducibility == pytest.approx(0.00014 / ((1.00011 + 1.00020 + 1.00006) / 3), rel=1e-9)


def test_a_curve_is_taken_for_one_only_where_the_readings_show_it() -> None:
    """Through zero, the best line of a cubic of 0.1 % at full scale is off its initial slope; the cubic is not."""
    curved = calibrated(taken(cubic=0.25 * 1e-3 / 20.0**2))
    assert curved.cubic == pytest.approx(0.25 * 1e-3 / 400.0, rel=0.05)
    assert curved.slope == pytest.approx(0.25, rel=2e-5)
    assert curved.linearity == pytest.approx(1e-3, rel=0.05)
    assert sum(calibrated(taken(seed=seed)).cubic != 0 for seed in range(60)) <= 4  # 1 in 100 by chance


@pytest.mark.parametrize("positions", [(0.0, 0.0, 120.0, 240.0), (0.0,)], ids=["four positions", "one"])
def test_the_interval_of_the_factor_holds_the_truth(positions: tuple[float, ...]) -> None:
    covered = 0
    for seed in range(150):
        found = calibrated(taken(noise=2e-4, seed=seed, positions=positions))
        covered += abs(found.slope / 0.25 - 1) <= 1.96 * found.u_slope_rel
    assert covered >= 0.88 * 150


def test_readings_in_mv_per_v_give_a_sensitivity_at_full_scale() -> None:
    record = record_of_readings(calibrated(taken(slope=0.1)), {}, "mV/V", SIGNED)
    assert record.factor_nm_per_v is None
    assert record.sensitivity_mv_per_v == pytest.approx(2.0, rel=1e-4)
    assert record.rated_torque_nm == 20.0
    assert isinstance(record.uncertainty, Certificate)
    assert isinstance(record.uncertainty.linearity_rel_fs, Expanded)
    assert record.uncertainty.linearity_rel_fs.k == BOUND_K


def first(found: Calibrated) -> dict[str, str]:
    return dict(said(found))


def test_what_readings_say_is_said_in_words() -> None:
    rows = first(calibrated(taken()))
    assert rows["fit"].startswith("straight line; 8 series to 20 N·m")
    assert rows["residuals"].startswith("−20 N·m: ")
    one = [each for each in taken(positions=(0.0,)) if each.torque_nm >= 0 and each.series == 0]
    alone = first(calibrated(one))
    assert alone["both senses"] == "one sense was loaded"
    assert alone["repeatability"] == "not seen: one series or position only"
    assert first(calibrated(taken(cubic=1e-6)))["fit"].startswith("line and cubic term (p ")


@pytest.mark.parametrize(
    ("readings", "said_text"),
    [
        ([], "no readings; give one at least without load and three with"),
        (
            [Reading(5.0, 1.0, 1), Reading(0.0, 0.0, 1)],
            "series 1 begins at 5 N·m; begin each series with a reading without load",
        ),
        (
            [Reading(0.0, 0.0, 1), Reading(5.0, 1.0, 1), Reading(9.0, 2.0, 1)],
            "2 different loads; read at 3 or more besides none",
        ),
        (
            [Reading(0.0, 0.0, 1), Reading(5.0, 1.0, 1, 120.0)],
            "series 1 has several positions; begin a new series after turning",
        ),
        (
            [Reading(float(t), float(t % 2), 1) for t in range(6)],
            "the outputs do not follow the torques; check the columns and the sign",
        ),
    ],
)
def test_readings_that_say_nothing_are_refused(readings: list[Reading], said_text: str) -> None:
    with pytest.raises(CalibrationError, match=said_text):
        calibrated(readings)


def test_an_outside_certificate_is_kept_as_it_states() -> None:
    states = {
        "factor_rel": "0.0005/2",
        "linearity_rel_fs": "0.0003/1.732",
        "full_scale_nm": "20",
        "gain_rel": "0.0001",
    }
    record = record_of_certificate({"factor_nm_per_v": 4.0}, states, SIGNED)
    assert isinstance(record.uncertainty, Certificate)
    assert record.uncertainty.factor_rel == Expanded(0.0005, 2.0)
    assert (record.signed_by, record.valid_until) == ("R. Vale", NOW + timedelta(days=365))
    assert record_of_certificate({"factor_nm_per_v": 4.0}, {}, SIGNED).uncertainty is UNSET


@pytest.mark.parametrize(
    ("scale", "states", "said_text"),
    [
        (
            {"factor_nm_per_v": 4.0},
            {"colour": "1"},
            "colour is nothing that a certificate states here; give one of factor_rel",
        ),
        (
            {"factor_nm_per_v": 4.0},
            {"gain_rel": "small"},
            "gain_rel=small: give a number, or NUMBER/K for an expanded uncertainty",
        ),
        ({"factor_nm_per_v": -4.0}, {}, "record 'TR-204/2': "),
        ({"sensitivity_mv_per_v": 2.0}, {}, "gives sensitivity_mv_per_v without rated_torque_nm"),
        ({"factor_nm_per_v": 4.0}, {"factor_rel": "0.5"}, "which means 50 %"),
    ],
)
def test_what_cannot_be_kept_is_said(scale: dict[str, Any], states: dict[str, str], said_text: str) -> None:
    with pytest.raises(CalibrationError, match=said_text):
        record_of_certificate(scale, states, SIGNED)


def test_a_calibration_is_due_thirty_days_before_its_end() -> None:
    record = record_of_certificate({"factor_nm_per_v": 4.0}, {}, SIGNED)
    assert validity_text(record, NOW) == "valid until 2027-11-28"
    assert validity_text(record, NOW + timedelta(days=334)) == "valid until 2027-11-28"
    assert (
        validity_text(record, NOW + timedelta(days=335))
        == "valid until 2027-11-28, due in 30 days: calibrate TR-204 again"
    )
    assert (
        validity_text(record, NOW + timedelta(days=370))
        == "expired on 2027-11-28, 5 days ago: calibrate TR-204 again"
    )
