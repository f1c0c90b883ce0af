"""Whatever somebody passes to `smoothness`: figures, or a refusal in this project's own words; never an error of a library, never memory without end."""

import datetime
import traceback
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.replay.made_up import Triple, cycle, figures

import nightturn
from nightturn.errors import InsufficientSamplesError

OURS = str(Path(nightturn.__file__).parent)
NUMBERS: st.SearchStrategy[Any] = st.one_of(
    st.floats(width=64),
    st.integers(-(2**70), 2**70),
    st.sampled_from([0, -1, 1, 1e-300, 1e300, None, True, "15", [], {}, np.float32(3), np.int8(7), 1 + 2j]),
)
LONG, YEAR_S = 40, 3.2e7


def evenly(step: float) -> np.ndarray:
    return np.arange(LONG) * step


COLUMNS: st.SearchStrategy[Any] = st.one_of(
    st.sampled_from(
        [evenly(0.001), evenly(0.1), evenly(1e-9), evenly(1e9), np.sin(evenly(0.1)), -evenly(0.001)]
    ),
    st.lists(NUMBERS, max_size=LONG),
    st.lists(st.floats(-10, 10), min_size=LONG, max_size=LONG),
    st.lists(st.one_of(st.datetimes(), st.dates(), st.none()), min_size=LONG, max_size=LONG),
    st.sampled_from(
        [
            None,
            1.0,
            "x",
            {},
            np.zeros((2, 2)),
            np.ma.array(np.zeros(LONG), mask=True),
            np.ma.array(evenly(0.001), mask=evenly(1.0) % 3 == 0),
            np.full(LONG, np.datetime64("NaT")),
            np.datetime64("2026-11-28", "ns") + np.arange(LONG).astype("timedelta64[ms]"),
            np.array([datetime.time(3)] * LONG),
            np.array(["x"] * LONG),
            np.zeros(LONG, np.complex128),
            np.zeros(LONG, "V8"),
            range(LONG),
            memoryview(b"abcd"),
        ]
    ),
)
NAMES = (
    "pole_pairs slots rated_torque_nm counts_per_rev torque_lsb_nm zero_nm sense plan drive_pole_pairs drive_slots resonance_hz "
    "filter_hz mains_hz"
)
OPTIONS = st.fixed_dictionaries({}, optional=dict.fromkeys(NAMES.split(), NUMBERS))


def said(time: Any, angle: Any, torque: Any, options: dict[str, Any]) -> None:
    """Fails where an error is not ours, or not in our words."""
    given_options = {"pole_pairs": 16, "slots": 36, "rated_torque_nm": 15.0, **options}
    try:
        found = nightturn.smoothness(time, angle, torque, **given_options)
    except (ValueError, InsufficientSamplesError) as refused:
        where, text = traceback.extract_tb(refused.__traceback__)[-1].filename, str(refused)
    else:
        where, text = OURS, str(found) if len(found) else ""
        found.frame()
    assert where.startswith(OURS)
    assert text


@given(COLUMNS, COLUMNS, COLUMNS, OPTIONS)
@settings(max_examples=60, deadline=None)
def test_any_arrays_and_options_give_figures_or_a_refusal_in_words(
    time: Any, angle: Any, torque: Any, options: dict[str, Any]
) -> None:
    said(time, angle, torque, options)


@given(OPTIONS)
@settings(max_examples=10, deadline=None)
def test_any_options_beside_good_arrays_give_figures_or_a_refusal_in_words(options: dict[str, Any]) -> None:
    said(*cycle(), options)


def test_two_recordings_with_a_year_between_cost_what_two_recordings_cost() -> None:
    time, angle, torque = cycle()
    both: Triple = (
        np.concatenate((time, time + time[-1] + YEAR_S)),
        np.concatenate((angle, angle)),
        np.concatenate((torque, torque)),
    )
    tracemalloc.start()
    try:
        found = figures(both)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert len(found) == 2
    # a number and a mean for each cell of a year would be 10 GB
    assert peak < 100 * time.nbytes
