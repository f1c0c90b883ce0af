import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.timebase.offset import FLOOR_WINDOW_NS, MAX_REJECTED, Floor, Measurement, OffsetFilter

NS = 1_000_000_000


def on_line(skew_ppb: float, seconds: int, *, noise_ns2: float = 1.0, step_ns: float = 0.0) -> OffsetFilter:
    clock = OffsetFilter(0, 0.0, noise_ns2)
    for second in range(1, seconds + 1):
        clock.update(Measurement(second * NS, skew_ppb * second + step_ns, 0.0), noise_ns2)
    return clock


@pytest.mark.parametrize(
    ("ppm", "us_in_1_s", "ms_in_8_h", "s_in_a_day"),
    [(1, 1.0, 28.8, 0.0864), (20, 20.0, 576.0, 1.728), (50, 50.0, 1440.0, 4.32), (100, 100.0, 2880.0, 8.64)],
    ids=lambda value: f"{value} (own arithmetic: ppm times the time)",
)
def test_parts_per_million_grow_to_the_stated_offset_in_a_night(
    ppm: int, us_in_1_s: float, ms_in_8_h: float, s_in_a_day: float
) -> None:
    clock = on_line(ppm * 1000.0, 120)

    def grown_ns(seconds: int) -> float:
        return clock.offset_at(seconds * NS) - clock.offset_at(0)

    assert grown_ns(1) / 1e3 == pytest.approx(us_in_1_s, rel=1e-6)
    assert grown_ns(28_800) / 1e6 == pytest.approx(ms_in_8_h, rel=1e-6)
    assert grown_ns(86_400) / 1e9 == pytest.approx(s_in_a_day, rel=1e-6)


def test_a_run_of_rejections_ends_in_a_new_start() -> None:
    clock = on_line(20_000.0, 120)
    for number in range(1, MAX_REJECTED + 1):
        accepted, _ = clock.update(
            Measurement((120 + number) * NS, 20_000.0 * (120 + number) + 1e9, 0.0), 1.0
        )
        assert accepted is (number == MAX_REJECTED)
    assert (clock.reacquired, clock.rejected) == (1, MAX_REJECTED)
    assert clock.offset_at(130 * NS) == pytest.approx(1e9 + 20_000.0 * 130, abs=100)


def test_one_outlier_moves_nothing() -> None:
    clock = on_line(20_000.0, 120)
    before = clock.offset_at(200 * NS)
    accepted, innovation = clock.update(Measurement(121 * NS, 20_000.0 * 121 + 5e6, 0.0), 1.0)
    assert not accepted
    assert innovation == pytest.approx(5e6, rel=1e-3)
    assert clock.offset_at(200 * NS) == pytest.approx(before, abs=1e-3)


def test_a_clock_one_per_cent_off_its_nominal_rate_is_followed_at_the_second_new_start() -> None:
    clock = on_line(10_000_000.0, 40, noise_ns2=225e6)
    assert clock.reacquired == 2
    assert clock.skew == pytest.approx(10_000_000.0, rel=1e-3)


@given(noise=st.floats(1.0, 1e12), steps=st.lists(st.floats(0.001, 600.0), min_size=1, max_size=40))
def test_the_covariance_stays_positive(noise: float, steps: list[float]) -> None:
    clock, at_ns = OffsetFilter(0, 0.0, noise), 0
    for seconds in steps:
        at_ns += round(seconds * 1e9)
        foreseen = clock.variance_at(at_ns)
        clock.update(Measurement(at_ns, 0.0, 0.0), noise)
        assert 0.0 < clock.p00 <= min(foreseen, noise) * (1 + 1e-9)
        assert clock.p11 > 0.0
        assert clock.p00 * clock.p11 - clock.p01 * clock.p01 > -1e-9 * clock.p00 * clock.p11


def test_the_floor_forgets_a_path_that_is_gone() -> None:
    floor = Floor()
    assert floor.value is None
    floor.add(200_000.0, 0)
    for window in range(3):
        floor.add(5_000_000.0, window * FLOOR_WINDOW_NS + 1)
        assert floor.value == (200_000.0 if window < 2 else 5_000_000.0)
