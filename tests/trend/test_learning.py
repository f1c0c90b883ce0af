"""What a kelvin does to a figure: by the unit's own cycles where they went through a range, else by other units of its variant, with their scatter."""

import msgspec
import numpy as np
import pytest

from nightturn.estimation.figures import FRICTION, RIPPLE_PP
from nightturn.model.tiles import Float64s
from nightturn.trend.course import course_of
from nightturn.trend.learning import (
    UnitSlope,
    VariantSlope,
    model_of,
    own_model,
    slope_of,
    unknown_variant,
    variant_slopes,
)
from nightturn.trend.series import Series
from nightturn.trend.slope import Slope
from nightturn.trend.temperature import TemperatureModel
from nightturn.trend.watch import known_before
from nightturn.trend.wording import course_text, left_out_text, slope_text

LEVEL_NM, SD_NM, STARTED_NS = 0.080, 5e-5, 1_795_642_200_000_000_000
CYCLES, CYCLE_S, STROKES = 100, 380.0, 32
KNOWN = VariantSlope(FRICTION, -0.008, 0.001, 5.0, 6, 18.0, 30.0)


def hours() -> Float64s:
    return np.asarray(np.arange(CYCLES) * CYCLE_S / 3600)


def series(
    degc: Float64s, per_k: float = -0.008, seed: int = 1, figure: str = FRICTION, direction: int = 1
) -> Series:
    """A level whose every kelvin above 24 °C adds its share."""
    count, rng = len(degc), np.random.default_rng(seed)
    return Series(
        figure=figure,
        direction=direction,
        strokes=STROKES * np.arange(count, dtype=np.float64),
        ts=STARTED_NS + (np.arange(count) * CYCLE_S * 1e9).astype(np.int64),
        value=LEVEL_NM * (1 + per_k * (degc - 24.0)) + SD_NM * rng.standard_normal(count),
        u=np.full(count, SD_NM),
        degc=degc,
        stretch=np.zeros(count, np.int64),
        night=np.zeros(count, np.int64),
        cycle_no=np.arange(1, count + 1),
        left_out=0,
    )


def sweep() -> Float64s:
    return np.asarray(24.0 + 2.0 * np.sin(2 * np.pi * hours() / 5.0))


def cooling(by_k: float = 4.0, at: int = 70) -> Float64s:
    """A hall at one temperature, that then cools down for good within half an hour."""
    since_h = np.maximum(hours() - hours()[at], 0.0)
    return np.asarray(24.0 - by_k * (1 - np.exp(-since_h / 0.2)))


def test_a_unit_whose_temperature_went_up_and_down_says_what_a_kelvin_does_and_one_that_stood_still_does_not() -> (
    None
):
    both = [series(sweep(), seed=2), series(sweep(), seed=3, direction=-1)]
    found = slope_of(both, FRICTION)
    assert found is not None
    assert abs(found.per_k + 0.008) < 3 * found.u < 0.0008
    assert (found.coldest_degc, found.warmest_degc) == pytest.approx((22.0, 26.0), abs=0.1)
    assert slope_of([series(cooling())], FRICTION) is None
    assert slope_of(both, RIPPLE_PP) is None


def test_a_variant_needs_three_units_and_its_u_is_that_of_one_unit_more() -> None:
    units = [
        UnitSlope(FRICTION, per_k, 1e-4, 20.0 + k, 26.0 + k)
        for k, per_k in enumerate((-0.007, -0.008, -0.010))
    ]
    assert variant_slopes(units[:2]) == ()
    (found,) = variant_slopes(units)
    spread = np.std([-0.007, -0.008, -0.010], ddof=1)
    assert (found.per_k, found.u, found.nu) == pytest.approx((-0.025 / 3, spread * np.sqrt(4 / 3), 2.0))
    assert (found.units, found.coldest_degc, found.warmest_degc) == (3, 20.0, 28.0)
    (coarse,) = variant_slopes([msgspec.structs.replace(each, u=0.01) for each in units])
    assert coarse.u == pytest.approx(0.01 * np.sqrt(4 / 3))
    assert slope_text(found) == "a kelvin adds −0.83 ± 0.76 % to friction, by 3 other units of the variant"


def test_the_variant_is_asked_only_where_a_unit_has_no_baseline_of_its_own() -> None:
    def never() -> tuple[VariantSlope, ...]:
        raise AssertionError("asked")

    swept = series(sweep())
    assert model_of(swept, never) == own_model(swept)
    assert model_of(series(cooling(), figure=RIPPLE_PP), never) is None
    assert model_of(series(np.full(CYCLES, np.nan)), never) is None
    still = series(cooling())
    assert model_of(still) is None
    found = model_of(still, lambda: (KNOWN,))
    assert isinstance(found, TemperatureModel)
    assert found.units == 6
    assert found.curve.size == pytest.approx(-0.008 * LEVEL_NM, rel=1e-3)


def test_behind_a_cooled_hall_friction_is_judged_by_the_variant_and_no_change_is_told() -> None:
    still = series(cooling())
    alone, known = course_of(still), course_of(still, variant=lambda: (KNOWN,))
    assert len(known.values) == len(alone.values)
    assert known.found == ()
    assert np.ptp(alone.values) > 2e-3
    assert known.values[-20:].mean() == pytest.approx(known.values[:20].mean(), abs=2 * SD_NM)
    assert "by 6 other units of the variant" in " ".join(course_text(known, ()))


def test_a_change_beyond_what_units_differ_by_is_told_and_one_within_it_is_not() -> None:
    other = VariantSlope(FRICTION, -0.008, 0.002, 5.0, 6, 18.0, 30.0)
    within = course_of(series(cooling(), per_k=-0.009), variant=lambda: (other,))
    assert within.found == ()
    worn = series(np.full(CYCLES, 24.0))
    worn.value[60:] += 0.003
    beyond = course_of(worn, variant=lambda: (other,))
    assert [each.change.at for each in beyond.found] == [
        pytest.approx(60 - (CYCLES - len(beyond.values)), abs=1)
    ]


def test_outside_the_range_of_the_variants_units_nothing_is_judged_and_that_is_said() -> None:
    narrow = VariantSlope(FRICTION, -0.008, 0.001, 5.0, 6, 22.0, 26.0)
    found = course_of(series(cooling()), variant=lambda: (narrow,))
    assert found.outside is not None
    assert "colder than the baseline" in left_out_text(found)


def test_slopes_behind_the_variants_line_hold_the_truth_as_often_as_stated() -> None:
    """Units whose kelvin differs by a tenth of it; five known ones, then a further one in a hall that cools down slowly."""
    rng, held, made = np.random.default_rng(11), 0, 40
    for seed in range(made):
        true = -0.008 + 0.0008 * rng.standard_normal(6)
        (known,) = variant_slopes([UnitSlope(FRICTION, float(each), 1e-4, 15.0, 30.0) for each in true[:5]])
        drifting = 24.0 - 0.4 * hours()
        line = course_of(series(drifting, float(true[5]), seed), variant=lambda known=known: (known,)).slope  # type: ignore[misc]  # mypy infers no type for a lambda with a default
        assert isinstance(line, Slope)
        held += abs(line.slope) <= line.half_width
    assert 0.87 <= held / made <= 1.0


def test_an_earlier_mounting_is_taken_by_the_variant_too_so_a_hall_that_cools_is_no_scatter_of_the_watch() -> (
    None
):
    earlier = series(24.0 - 0.4 * hours())
    scatter = []
    for variant in (unknown_variant, lambda: (KNOWN,)):
        chart = known_before(earlier, (0,), 1e9, variant)
        assert chart is not None
        for value in LEVEL_NM + SD_NM * np.random.default_rng(5).standard_normal(12):
            chart.add(float(value))
        assert chart.series.fit is not None
        scatter.append(chart.series.fit[1])
    assert scatter[0] > 3 * scatter[1]
    assert scatter[1] == pytest.approx(SD_NM, rel=0.3)
