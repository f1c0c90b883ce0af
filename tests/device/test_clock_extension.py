"""The 32-bit counter that becomes a 64-bit tick: nothing is lost at its end, and no rest is dropped."""

import ctypes
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.build import built

COUNTS_PER_TICK = 25  # 25 MHz for a tick of a microsecond
ROUND = 1 << 32


class Extended(ctypes.Structure):
    """struct nt_extended."""

    _fields_ = [("last", ctypes.c_uint32), ("rest", ctypes.c_uint32), ("tick", ctypes.c_uint64)]


@pytest.fixture(scope="module")
def extend() -> Any:
    function = ctypes.CDLL(str(built("extend.so"))).nt_extend
    function.argtypes = [ctypes.POINTER(Extended), ctypes.c_uint32, ctypes.c_uint32]
    function.restype = ctypes.c_uint64
    return function


@given(
    steps=st.lists(st.integers(0, ROUND - 1) | st.integers(0, 100), max_size=60),
    counts_per_tick=st.sampled_from([1, 7, COUNTS_PER_TICK, 168, 1_000_003]),
)
def test_the_tick_is_all_counts_ever_divided_once(
    extend: Any, steps: list[int], counts_per_tick: int
) -> None:
    state = Extended()
    counts = 0
    for step in steps:
        counts += step

        tick = extend(state, counts % ROUND, counts_per_tick)

        assert tick == counts // counts_per_tick


def test_the_tick_goes_on_beyond_32_bits(extend: Any) -> None:
    state = Extended(last=0, rest=0, tick=ROUND - 1)

    assert extend(state, COUNTS_PER_TICK, COUNTS_PER_TICK) == ROUND
