"""Models of temperature: which is chosen, what its correction is worth, and where there is none."""

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.trend.noises import alike, even, first_order, room

from nightturn.errors import InsufficientSamplesError
from nightturn.model.tiles import Float64s
from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.slope import Axis, Slope, slope
from nightturn.trend.temperature import (
    CLEAR,
    NoModelWhy,
    NoTemperatureModel,
    TemperatureModel,
    correction,
    equilibrium,
    paused,
    temperature_model,
)
from nightturn.trend.temperature_curves import Kind, lagged

COUNT = 120
HOURS = even(COUNT, 0.1125)
STROKES = even(COUNT, 50.0)
DEGC = room(HOURS)
LAG_H = 0.8
BEGINS = np.arange(COUNT) == 0
SCATTER = 3e-4


def effect(name: str, degc: Float64s, inside: Float64s) -> Float64s:
    """What temperature adds, N·m: friction of some 0.1 N·m."""
    if name == "none":
        return np.zeros(len(degc))
    if name == "linear":
        return np.asarray(-1.2e-3 * (degc - 24))
    return np.asarray(30e-3 * np.expm1(-0.06 * ((inside if name == "viscous, lag" else degc) - 24)))


def baseline(name: str, seed: int = 1, rho: float = 0.3) -> Float64s:
    errors = SCATTER * alike(np.random.default_rng(seed), COUNT, rho)
    return np.asarray(0.1 + 1e-7 * STROKES + effect(name, DEGC, first_order(HOURS, DEGC, LAG_H)) + errors)


def modelled(name: str, seed: int = 1) -> TemperatureModel:
    found = temperature_model(HOURS, STROKES, baseline(name, seed), DEGC)
    assert isinstance(found, TemperatureModel)
    return found


def test_a_lag_answers_as_its_differential_equation_does() -> None:
    """Against Euler's method in steps of 2 s, and against the closed answer to a step."""
    for lag_h in (0.2, 0.8, 5.0):
        assert lagged(HOURS, DEGC, lag_h, BEGINS) == pytest.approx(first_order(HOURS, DEGC, lag_h), abs=0.01)
    still = np.where(HOURS > 0, 1.0, 0.0)
    behind = lagged(HOURS, still, 1e-6, BEGINS)
    assert behind[1:] == pytest.approx(still[1:], abs=1e-4)
    assert lagged(HOURS, DEGC, 0.0, BEGINS) is DEGC
    anew = np.isin(np.arange(COUNT), [0, 60])
    assert lagged(HOURS, DEGC, 2.0, anew)[60] == DEGC[60]


@pytest.mark.parametrize("name", ["none", "linear", "viscous", "viscous, lag"])
def test_evidence_chooses_the_model_that_was_made(name: str) -> None:
    found = modelled(name)
    assert found.curve.kind is Kind(name.partition(",")[0])
    assert (found.curve.lag_h > 0) == ("lag" in name)
    if "lag" in name:
        assert found.curve.lag_h == pytest.approx(LAG_H, rel=0.2)
    made = effect(name, DEGC, first_order(HOURS, DEGC, LAG_H))
    assert found.explained == pytest.approx(made.std(), rel=0.05, abs=1e-9)
    assert found.left == pytest.approx(SCATTER, rel=0.3)
    assert found.condition < 5
    assert all(other.bic < CLEAR for other in found.others) or found.clear
    assert sum(each.weight for each in (found.curve, *found.others)) == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("name", ["linear", "viscous, lag"])
def test_a_slope_after_the_correction_holds_the_truth_while_the_unit_warms(name: str) -> None:
    """Without the correction warm-up is taken for wear: the slope is off by many of its intervals. Long form in the benchmark."""
    later = even(60, 0.1125, 0.1125 * COUNT)
    warming = np.linspace(22.0, 26.0, 60)
    held = bare = 0
    for seed in range(12):
        model = modelled(name, seed)
        errors = SCATTER * alike(np.random.default_rng(100 + seed), 60, 0.3)
        value = (
            0.1
            + 1e-5 * (later - later[0])
            + effect(name, warming, first_order(later, warming, LAG_H))
            + errors
        )
        off = correction(model, later, warming)
        found = slope(later, value - off.shift, axis=Axis.HOURS, common=off.common, common_nu=off.nu)
        assert isinstance(found, Slope)
        held += abs(found.slope - 1e-5) <= found.half_width
        plain = slope(later, value, axis=Axis.HOURS)
        bare += isinstance(plain, Slope) and abs(plain.slope - 1e-5) <= plain.half_width
    assert held >= 10
    assert bare <= 1


def test_the_uncertainty_of_the_correction_grows_away_from_the_reference() -> None:
    model = modelled("viscous")
    swept = np.linspace(model.coldest_degc, model.warmest_degc, COUNT)
    off = correction(model, HOURS, swept)
    u = np.sqrt((off.common**2).sum(1))
    middle = int(np.argmin(np.abs(swept - model.reference_degc)))
    assert u[middle] < 0.1 * u[0]
    assert abs(off.shift[middle]) < 1e-4
    made = effect("viscous", swept, swept) - effect(
        "viscous", np.array([model.reference_degc]), np.array([model.reference_degc])
    )
    assert np.all(np.abs(off.shift - made) < 4 * u + 1e-5)


def test_wear_and_warm_up_that_run_alike_are_not_told_apart() -> None:
    warming = 20 + 6 * STROKES / STROKES[-1] + 0.01 * np.random.default_rng(1).standard_normal(COUNT)
    found = temperature_model(HOURS, STROKES, baseline("none"), warming)
    assert isinstance(found, NoTemperatureModel)
    assert found.why is NoModelWhy.INSEPARABLE
    assert found.seen > found.wanted == 30


def test_a_baseline_at_one_temperature_or_one_that_wanders_has_no_model() -> None:
    found = temperature_model(HOURS, STROKES, baseline("none"), 24 + 0.01 * (DEGC - 24))
    assert isinstance(found, NoTemperatureModel)
    assert (found.why, found.wanted) == (NoModelWhy.NO_RANGE, 0.5)
    walk = np.cumsum(np.random.default_rng(5).standard_normal(COUNT))
    slow = temperature_model(HOURS, STROKES, walk, DEGC)
    assert isinstance(slow, NoTemperatureModel)
    assert slow.why is NoModelWhy.TOO_SLOW


def test_without_strokes_there_is_no_wear_to_tell_apart() -> None:
    found = temperature_model(HOURS, np.zeros(COUNT), baseline("linear") - 1e-7 * STROKES, DEGC)
    assert isinstance(found, TemperatureModel)
    assert found.curve.size == pytest.approx(-1.2e-3, rel=0.05)


@pytest.mark.parametrize(
    ("degc", "kelvin"),
    [([24.0, 25.0], None), ([15.9], -4.1), ([32.0, 24.0], 4.0), ([19.6, 28.4], None), ([15.0, 30.0], -5.0)],
)
def test_outside_the_range_of_the_baseline_the_trend_pauses(degc: list[float], kelvin: float | None) -> None:
    model = modelled("linear")
    found = paused(model, np.array(degc))
    assert (model.coldest_degc, model.warmest_degc) == pytest.approx((20, 28), abs=0.05)
    assert (found and found.kelvin) == (kelvin and pytest.approx(kelvin, abs=0.05))


@settings(max_examples=4, deadline=None)
@given(factor=st.sampled_from([-1.0, 1e-3, 500.0]), shift=st.sampled_from([0.0, 10.0]))
def test_another_unit_sign_or_zero_scales_the_model(factor: float, shift: float) -> None:
    plain = modelled("linear")
    scaled = temperature_model(HOURS, STROKES, factor * (baseline("linear") + shift), DEGC)
    assert isinstance(scaled, TemperatureModel)
    assert scaled.curve.kind is plain.curve.kind
    assert scaled.curve.size / factor == pytest.approx(plain.curve.size, rel=1e-3)
    assert scaled.left / abs(factor) == pytest.approx(plain.left, rel=1e-3)


def test_temperature_stands_still_where_no_steady_rate_in_the_window_exceeds_the_limit() -> None:
    hours = even(180, 1 / 60)
    warming = 20 + 8 * (1 - np.exp(-hours / 0.4))
    early, late = (equilibrium(hours[:n], warming[:n], limit_k_per_h=1.0) for n in (70, len(hours)))
    assert not early.settled
    assert late.settled
    assert late.rate_k_per_h is not None
    assert late.range_k_per_h is not None
    assert 0 < late.rate_k_per_h <= late.range_k_per_h <= 1.0
    ramp = equilibrium(hours, 20 + 1.5 * hours, limit_k_per_h=1.4)
    assert (ramp.rate_k_per_h, ramp.range_k_per_h) == pytest.approx((1.5, 1.5))
    assert not ramp.settled
    falling = equilibrium(hours, 20 - 0.5 * hours, limit_k_per_h=1.4)
    assert falling.rate_k_per_h == pytest.approx(-0.5)
    assert falling.settled


def test_less_than_a_window_of_temperatures_says_nothing() -> None:
    short = equilibrium(np.array([0.0, 0.1, 0.2]), np.full(3, 22.0), limit_k_per_h=1.0)
    assert (short.settled, short.rate_k_per_h) == (False, None)
    one = equilibrium(np.array([0.0]), np.array([22.0]), limit_k_per_h=1.0)
    assert not one.settled
    swinging = even(120, 1 / 60)
    back = equilibrium(swinging, 22 + np.sin(2 * np.pi * swinging), limit_k_per_h=1.0)
    assert not back.settled, "a swing that ends where it began is no standing still"


def test_what_cannot_be_used_is_refused() -> None:
    value = baseline("none")
    with pytest.raises(InsufficientSamplesError, match="40 at least"):
        temperature_model(HOURS[:39], STROKES[:39], value[:39], DEGC[:39])
    with pytest.raises(UnusableSeriesError, match="temperature of shape"):
        temperature_model(HOURS, STROKES, value, np.where(HOURS > 5, np.nan, DEGC))
    with pytest.raises(UnusableSeriesError, match="strokes of shape"):
        temperature_model(HOURS, STROKES[:-1], value, DEGC)
    late = np.where(HOURS > 5, HOURS + 12, HOURS)
    with pytest.raises(UnusableSeriesError, match="a gap before position"):
        temperature_model(late, STROKES, value, DEGC)
    place = int(np.argmax(HOURS > 5))
    assert isinstance(
        temperature_model(late, STROKES, value, DEGC, breaks=np.array([place])), TemperatureModel
    )
    for readings in ([], [24.0, np.nan]):
        with pytest.raises(UnusableSeriesError, match="without a reading or with one that is no number"):
            paused(modelled("linear"), np.array(readings))
    many = even(1001)
    with pytest.raises(UnusableSeriesError, match="1000 at most"):
        temperature_model(many, many, many, many)


def test_a_model_goes_through_msgpack() -> None:
    results = [modelled("viscous, lag"), NoTemperatureModel(NoModelWhy.NO_RANGE, 0.1, 0.5)]
    assert (
        msgspec.msgpack.decode(
            msgspec.msgpack.encode(results), type=list[TemperatureModel | NoTemperatureModel]
        )
        == results
    )
