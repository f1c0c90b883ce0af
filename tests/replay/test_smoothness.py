"""`nightturn.smoothness`: figures from plain arrays, the daemon's own where the arrays are a run's."""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pytest
from replay_logs.make import Recorded

import nightturn
from nightturn.errors import InsufficientSamplesError
from nightturn.model.figures import INCOMPLETE, OK
from nightturn.replay.commanded import NO_RAIL, rail_of
from nightturn.replay.grids import sample_rate, torque_grid

Floats = npt.NDArray[np.float64]
RATE_HZ = 1000
FRICTION_NM, ZERO_NM, HOLD_NM = 0.1, 0.03, 5.0
COGGING_PP_NM, RIPPLE_PP_NM = 0.04, 0.06


def passes(*, strokes: int = 2) -> Iterator[tuple[float, float, float]]:
    """(signed turns, rpm, torque held) of one cycle."""
    yield 2.1, 10.0, 0.0
    yield -2.1, 10.0, 0.0
    yield 2.1, 10.0, 0.0
    yield -2.1, 10.0, HOLD_NM
    for number in range(strokes):
        yield (0.5 if number % 2 else -0.5), 20.0, 0.0


def cycle(rng: np.random.Generator, *, strokes: int = 2) -> tuple[Floats, Floats, Floats]:
    """Time, angle and torque of one cycle of a made-up actuator, free of any converter's grid."""
    angles, torques = [np.zeros(RATE_HZ)], [np.zeros(RATE_HZ)]
    for turns, rpm, held in passes(strokes=strokes):
        n = round(abs(turns) / rpm * 60 * RATE_HZ)
        angle = angles[-1][-1] + np.sign(turns) * np.arange(1, n + 1) * (rpm / 60 * 2 * np.pi / RATE_HZ)
        own = COGGING_PP_NM / 2 * np.sin(36 * angle) - np.sign(turns) * -FRICTION_NM
        load = held + RIPPLE_PP_NM / 2 * np.sin(16 * angle) * (held > 0)
        rest = np.full(round(1.5 * RATE_HZ), angle[-1])
        angles += [angle, rest]
        torques += [own + load, np.zeros(len(rest))]
    angle, torque = np.concatenate(angles), np.concatenate(torques) + ZERO_NM
    return np.arange(len(angle)) / RATE_HZ, angle, torque + rng.normal(0, 2e-3, len(angle))


@pytest.fixture(scope="module")
def arrays() -> tuple[Floats, Floats, Floats]:
    return cycle(np.random.default_rng(5))


def test_the_samples_of_a_run_give_its_figures(measured: Recorded) -> None:
    run = nightturn.open_run(measured.root)
    frame = run.samples(columns=["torque_nm", "angle_rad", "index"])
    found = nightturn.smoothness(
        frame["index"].to_numpy() / RATE_HZ, frame["angle_rad"].to_numpy(), frame["torque_nm"].to_numpy()
    )
    stored = run.cycles()
    complete = [record for record in found if record.status == OK]
    assert [record.cycle_no for record in complete] == stored[stored.status == OK].cycle_no.tolist() == [1, 2]
    for record in complete:
        row = stored[stored.cycle_no == record.cycle_no].iloc[0]
        for figure in record.figures:
            for value, name in ((figure.value, ""), (figure.u, "_u"), (figure.nu, "_nu")):
                assert value == pytest.approx(row[figure.name + name], rel=1e-9), figure.name + name
            assert figure.status == row[f"{figure.name}_status"]
        assert (record.index_first, record.index_last) == (row.index_first, row.index_last)


def test_counted_from_anywhere_else_the_figures_stay_within_their_uncertainty(measured: Recorded) -> None:
    run = nightturn.open_run(measured.root)
    frame = run.samples()
    time = (frame.index - frame.index[0]).total_seconds().to_numpy()
    found = nightturn.smoothness(time, frame["angle_rad"].to_numpy(), frame["torque_nm"].to_numpy())
    stored = run.cycles()
    for record in found[:2]:
        row = stored[stored.cycle_no == record.cycle_no].iloc[0]
        for figure in record.figures:
            assert figure.value is not None
            assert figure.u is not None
            assert abs(figure.value - row[figure.name]) < figure.u


def test_arrays_without_a_grid_give_what_was_put_into_them(arrays: tuple[Floats, Floats, Floats]) -> None:
    (record,) = nightturn.smoothness(*arrays)
    assert (record.status, record.reasons) == (OK, ())
    assert record.speed_rpm == pytest.approx(10.0, rel=1e-4)
    assert record.setpoint_nm == HOLD_NM
    for name, truth in (
        ("friction_nm", FRICTION_NM),
        ("zero_nm", ZERO_NM),
        ("cogging_pp_nm", COGGING_PP_NM),
        ("ripple_pct_rated", 100 * (COGGING_PP_NM + RIPPLE_PP_NM) / 15.0),
    ):
        figure = record.figure(name)
        assert figure.status == OK, figure
        assert figure.value == pytest.approx(truth, rel=0.05), name


def test_several_cycles_are_numbered_and_strokes_counted(arrays: tuple[Floats, Floats, Floats]) -> None:
    time, angle, torque = arrays
    step = time[-1] + 1 / RATE_HZ
    found = nightturn.smoothness(
        np.concatenate([time, time + step, time + 2 * step]),
        np.concatenate([angle, angle + angle[-1], angle + 2 * angle[-1]]),
        np.concatenate([torque] * 3),
    )
    assert [(record.cycle_no, record.status) for record in found] == [(1, OK), (2, OK), (3, OK)]


def test_a_cycle_cut_short_is_incomplete_and_says_so(arrays: tuple[Floats, Floats, Floats]) -> None:
    time, angle, torque = (array[:20_000] for array in arrays)
    (record,) = nightturn.smoothness(time, angle, torque)
    assert record.status == INCOMPLETE
    assert record.reasons[0] == "the arrays end here"


def test_what_was_turned_round_only_changes_its_signs(arrays: tuple[Floats, Floats, Floats]) -> None:
    time, angle, torque = arrays
    (one,), (other,) = nightturn.smoothness(*arrays), nightturn.smoothness(time, -angle, -torque)
    assert other.direction == -one.direction
    for name, sign in (("friction_nm", 1), ("zero_nm", -1), ("mean_torque_nm", -1), ("cogging_pp_nm", 1)):
        value = one.figure(name).value
        assert value is not None
        assert other.figure(name).value == pytest.approx(sign * value, rel=1e-2)


def test_lost_samples_are_counted_by_their_time(arrays: tuple[Floats, Floats, Floats]) -> None:
    kept = np.r_[0:20_000, 20_300 : len(arrays[0])]
    time, angle, torque = arrays
    (record,) = nightturn.smoothness(time[kept], angle[kept], torque[kept])
    assert record.status == OK
    assert "300 samples were lost in this cycle" in record.reasons


def at(place: int, value: float, array: Floats) -> Floats:
    """The array with one value changed."""
    changed = array.copy()
    changed[place] = value
    return changed


TIMES, ANGLES, TORQUES = np.arange(40) / RATE_HZ, np.zeros(40), np.linspace(0, 1, 40)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"angle_rad": np.zeros(3)}, "the arrays differ in length: time_s 40, angle_rad 3, torque_nm 40"),
        ({"torque_nm": at(2, np.nan, TORQUES)}, r"torque_nm\[2\] is nan"),
        ({"angle_rad": at(1, np.inf, ANGLES)}, r"angle_rad\[1\] is inf"),
        ({"time_s": at(7, 0.009, TIMES)}, "time_s does not rise: 0.009 is followed by 0.008"),
        ({"time_s": at(7, 0.008, TIMES)}, "time_s does not rise: 0.008 is followed by 0.008"),
        ({"time_s": at(7, 0.0074, TIMES)}, "time_s is not evenly sampled: a step of 0.0014 s at 0.006"),
        ({"time_s": np.zeros((2, 2))}, "time_s has 2 dimensions"),
        ({"rated_torque_nm": 0.0}, "rated_torque_nm is 0.0; it must be positive"),
        ({"slots": -1}, "slots is -1; it must be positive"),
        ({"torque_lsb_nm": 0.0}, "torque_lsb_nm is 0.0; it must be positive"),
        ({"torque_lsb_nm": 1e-9}, "give a larger torque_lsb_nm"),
        ({"angle_rad": at(1, 1e12, ANGLES)}, "beyond what an encoder can count"),
    ],
)
def test_arrays_that_cannot_be_used_say_why(changes: dict[str, object], message: str) -> None:
    arrays = {"time_s": TIMES, "angle_rad": ANGLES, "torque_nm": TORQUES}
    with pytest.raises(ValueError, match=message):
        nightturn.smoothness(**{**arrays, **changes})  # type: ignore[arg-type]  # some of them are wrong on purpose


def test_too_little_is_told_apart() -> None:
    with pytest.raises(InsufficientSamplesError, match="1 samples; a cycle takes minutes"):
        nightturn.smoothness([0.0], [0.0], [0.0])
    with pytest.raises(InsufficientSamplesError, match="10 samples a second; at least 100"):
        nightturn.smoothness(np.arange(50) / 10, np.zeros(50), np.zeros(50))
    with pytest.raises(InsufficientSamplesError, match="nothing turns steadily in 5 s"):
        nightturn.smoothness(np.arange(5000) / RATE_HZ, np.zeros(5000), np.zeros(5000))


@pytest.mark.parametrize("rate_hz", [200, 1000, 1024, 10_000, 12_500])
@pytest.mark.parametrize("skew", [0.0, 2e-5, -7.3e-5])
def test_a_drifting_clock_is_read_as_its_nominal_rate(rate_hz: int, skew: float) -> None:
    time = 1.8e9 * (skew == 0) + (100 + np.arange(5000)) / (rate_hz * (1 + skew))
    if rate_hz == 1024 and skew:
        return  # not a round number: the nearest ten is taken, which moves nothing but the speed, by 0.4 %
    found, index = sample_rate(time)
    assert found == rate_hz
    assert (np.diff(index) == 1).all()


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


def test_a_saturated_converter_is_seen_and_a_smooth_crest_is_not() -> None:
    rng = np.random.default_rng(3)
    raw = rng.integers(-1000, 1000, 5000).astype(np.int32)
    assert rail_of(raw) == NO_RAIL
    raw[100:140] = 8_388_607
    assert rail_of(raw) == 8_388_607
    assert rail_of(np.round(1000 * np.sin(np.arange(5000) / 500)).astype(np.int32)) == NO_RAIL
