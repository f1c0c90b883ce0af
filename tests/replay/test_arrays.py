"""A person's own arrays in whatever form: every one is read as it is meant, or refused in a sentence."""

import datetime
from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.replay.made_up import Triple, cycle, figures, values

from nightturn.errors import InsufficientSamplesError
from nightturn.replay.arrays import checked
from nightturn.replay.grids import torque_grid

N = 40
TIMES, ANGLES, TORQUES = np.arange(N) / 1000, np.zeros(N), np.linspace(0, 1, N)
BEGUN = np.datetime64("2026-11-25T21:00:00", "ns")
MILLISECOND = np.timedelta64(1_000_000, "ns")


@pytest.fixture(scope="module")
def arrays() -> Triple:
    return cycle()


def dates(count: int) -> "np.ndarray[tuple[int], np.dtype[np.datetime64]]":
    """Times of samples a millisecond apart."""
    return BEGUN + np.arange(count) * MILLISECOND


def zoned(count: int) -> pd.DatetimeIndex:
    """The same by the clocks of Berlin."""
    return pd.DatetimeIndex(dates(count)).tz_localize("UTC").tz_convert("Europe/Berlin")


FORMS: dict[str, Callable[[int], object]] = {
    "datetime64": dates,
    "datetime64 of microseconds": lambda n: dates(n).astype("datetime64[us]"),
    "index": lambda n: pd.DatetimeIndex(dates(n)),
    "index with a zone": zoned,
    "series with a zone": lambda n: zoned(n).to_series().reset_index(drop=True),
    "series": lambda n: pd.Series(dates(n)),
    "timestamps": lambda n: list(zoned(n)),
    "datetimes": lambda n: [each.to_pydatetime() for each in pd.DatetimeIndex(dates(n))],
    "objects": lambda n: zoned(n).astype(object),
    "timedelta64": lambda n: np.arange(n) * MILLISECOND,
    "timedeltas of pandas": lambda n: pd.to_timedelta(np.arange(n) * MILLISECOND),
}


@pytest.mark.parametrize("form", FORMS)
def test_dates_in_every_form_are_seconds_from_the_first(form: str) -> None:
    found = checked(FORMS[form](N), ANGLES, TORQUES)  # type: ignore[arg-type]  # what numpy makes of it is the question
    assert found.time_s == pytest.approx(TIMES, abs=1e-12)
    begun = 0 if "timedelta" in form else int(BEGUN.astype(np.int64))
    assert found.origin_ns == begun


def test_dates_give_the_figures_of_seconds_and_the_record_its_time(arrays: Triple) -> None:
    time, angle, torque = arrays
    found = figures((dates(len(time)), angle, torque))  # type: ignore[arg-type]  # dates are numbers too
    assert values(found) == values(figures(arrays))
    assert found[0].ts_start == int(BEGUN.astype(np.int64)) + round(found[0].index_first * 1e6)
    assert str(found.frame().ts_start.iloc[0]).startswith("2026-11-25 21:00:01")


@given(seed=st.integers(0, 1000), share=st.floats(0.0001, 0.03))
@settings(max_examples=5, deadline=None)
def test_masked_samples_are_as_if_they_were_not_there(seed: int, share: float) -> None:
    time, angle, torque = cycle()
    rng = np.random.default_rng(seed)
    hidden = [rng.random(len(time)) < share for _ in range(3)]
    lost = hidden[0] | hidden[1] | hidden[2]
    spoilt = np.where(hidden[2], np.nan, torque)
    masked = figures(
        (np.ma.array(time, mask=hidden[0]), np.ma.array(angle, mask=hidden[1]), np.ma.array(spoilt, mask=hidden[2]))
    )  # fmt: skip
    assert values(masked) == values(figures((time[~lost], angle[~lost], torque[~lost])))
    assert masked.notes[0] == f"{lost.sum()} masked samples are left out"


def test_a_masked_date_may_be_none() -> None:
    time = dates(N).copy()
    time[0] = time[7] = np.datetime64("NaT")
    found = checked(np.ma.array(time, mask=np.isnat(time)), ANGLES, TORQUES)
    assert found.time_s == pytest.approx(np.delete(TIMES, [0, 7]) - TIMES[1])
    assert found.notes == ("2 masked samples are left out",)


def test_lists_integers_and_objects_that_are_numbers_are_read() -> None:
    found = checked(TIMES.tolist(), np.arange(N), np.array([Fraction(n, 4) for n in range(N)], object))
    assert found.angle_rad.tolist() == list(range(N))
    assert found.torque_nm[3] == 0.75


def at(place: int, value: object, array: object) -> list[object]:
    """The array as a list with one value changed."""
    changed = list(np.asarray(array))
    changed[place] = value
    return changed


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"angle_rad": np.zeros(3)}, "the arrays differ in length: time_s 40, angle_rad 3, torque_nm 40"),
        ({"torque_nm": at(2, np.nan, TORQUES)}, "torque_nm[2] is nan; leave such samples out or mask them, gaps are seen by their time"),
        ({"angle_rad": at(1, np.inf, ANGLES)}, "angle_rad[1] is inf; leave such samples out or mask them, gaps are seen by their time"),
        ({"time_s": at(5, -np.inf, TIMES)}, "time_s[5] is -inf; leave such samples out or mask them, gaps are seen by their time"),
        ({"time_s": at(3, np.datetime64("NaT"), dates(N))}, "time_s[3] is no time; leave such samples out or mask them"),
        ({"time_s": np.zeros((2, 2))}, "time_s has 2 dimensions; it must have one"),
        ({"time_s": 3.0}, "time_s is one float; give an array of one dimension"),
        ({"angle_rad": None}, "angle_rad is one NoneType; give an array of one dimension"),
        ({"angle_rad": {"a": 1}}, "angle_rad is one dict; give an array of one dimension"),
        ({"torque_nm": "3.1"}, "torque_nm is one str; give an array of one dimension"),
        ({"torque_nm": ["1", "2"]}, "torque_nm has values of type <U1; give real numbers"),
        ({"torque_nm": TORQUES + 1j}, "torque_nm has values of type complex128; give real numbers"),
        ({"torque_nm": TORQUES > 0.5}, "torque_nm has values of type bool; give real numbers"),
        ({"torque_nm": at(4, "x", TORQUES.astype(object))}, "torque_nm has values of type <U32; give real numbers"),
        ({"torque_nm": np.array(at(4, None, TORQUES), object)}, "torque_nm[4] is of type NoneType; give real numbers"),
        ({"torque_nm": np.array(at(4, "1.5", TORQUES), object)}, "torque_nm[4] is of type str; give real numbers"),
        ({"torque_nm": pd.Series(TORQUES).astype("Float64").shift(-1)}, "torque_nm[39] is nan; leave such samples out or mask them, gaps are seen by their time"),
        ({"time_s": pd.DataFrame({"a": TIMES})}, "time_s has 2 dimensions; it must have one"),
        ({"time_s": ["2026-11-25", "2026-11-26"]}, "time_s has values of type <U10; give real numbers"),
        ({"time_s": TIMES.astype(np.float32) + np.float32(36_000)}, "time_s is float32, which steps by 0.0039 s at 36000 s; give float64"),
        ({"time_s": [datetime.datetime(2026, 11, 25), datetime.datetime(2026, 11, 25, 1, tzinfo=datetime.UTC)]},  # noqa: DTZ001 - one of them lacks a zone on purpose
         "time_s has dates with and without a time zone; give one kind"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_says_why(changes: dict[str, object], message: str) -> None:
    arrays = {"time_s": TIMES, "angle_rad": ANGLES, "torque_nm": TORQUES}
    with pytest.raises(ValueError, match=r".") as raised:
        checked(**{**arrays, **changes})  # type: ignore[arg-type]  # some of them are wrong on purpose
    assert str(raised.value) == message


def test_lists_of_lists_of_unlike_lengths_are_refused_in_words() -> None:
    with pytest.raises(
        ValueError, match=r"^torque_nm is no array of one dimension: setting an array element"
    ):
        checked(TIMES, ANGLES, [[1.0, 2.0], [1.0]])


@pytest.mark.parametrize(
    ("count", "message"), [(0, "0 samples; a cycle takes minutes"), (1, "1 sample; a cycle takes minutes")]
)
def test_too_few_samples_are_said_apart(count: int, message: str) -> None:
    with pytest.raises(InsufficientSamplesError, match=f"^{message}$"):
        checked(TIMES[:count], ANGLES[:count], TORQUES[:count])
    with pytest.raises(InsufficientSamplesError, match=f"^{message}$"):
        checked(np.ma.array(TIMES, mask=np.arange(N) >= count), ANGLES, TORQUES)


def test_a_wrapped_angle_is_unwrapped_and_counted() -> None:
    angle = np.linspace(0, 15, N)
    found = checked(TIMES, angle % (2 * np.pi), TORQUES)
    assert found.angle_rad == pytest.approx(angle)
    assert found.notes == ("angle_rad falls back by a turn 2 times: it was unwrapped",)
    assert checked(TIMES, np.pi - (angle % (2 * np.pi)), TORQUES).angle_rad == pytest.approx(np.pi - angle)


@pytest.mark.parametrize(
    ("turn", "message"),
    [
        (360.0, "angle_rad lies from 0 to 350 and falls back by 360 2 times, which looks like degrees: give radians, np.radians(angle)"),
        (1.0, "angle_rad lies from 0 to 0.9722 and falls back by 1 2 times, which looks like turns: give radians, 2 * np.pi * angle"),
    ],
)  # fmt: skip
def test_a_wrapped_angle_of_another_unit_is_refused(turn: float, message: str) -> None:
    with pytest.raises(ValueError, match=r".") as raised:
        checked(np.arange(108) / 1000, np.arange(108) % 36 / 36 * turn, np.arange(108))
    assert str(raised.value) == message


@pytest.mark.parametrize("zero_count", [0.0, 12345.37, -0.5])
@pytest.mark.parametrize("lsb_nm", [4.76837158203125e-06, 1e-4])
def test_a_converter_s_grid_is_found_with_its_zero_between_two_counts(
    zero_count: float, lsb_nm: float
) -> None:
    raw = np.random.default_rng(2).integers(-90_000, 90_000, 40_000)
    torque = ((raw - zero_count) * lsb_nm).astype(np.float64)
    grid, counts = torque_grid(torque, 15.0, None)
    assert grid.lsb_nm == pytest.approx(lsb_nm, rel=1e-9)
    assert (counts - raw == counts[0] - raw[0]).all()
    assert (counts - grid.zero_count) * grid.lsb_nm == pytest.approx(torque, abs=lsb_nm * 1e-3)
