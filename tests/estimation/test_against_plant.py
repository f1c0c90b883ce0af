"""Figures held against the virtual plant's own truth, over noise, speed, gaps and seeds."""

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.plant_cycles import PlantCycle, plant_cycle
from tests.estimation.synthetic import beside_the_rig

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.cycles import Estimator
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.intervals import half_width
from nightturn.model.figures import CycleRecord
from nightturn.virtual.products import PAN2, PAN15, PAN20, Product
from nightturn.virtual.sheet import sheet_of
from nightturn_protocol.sheet import parse_sheet

# Worst error allowed, relative. Ripple and cogging: four standard uncertainties at 10 mN·m noise a sample and the
# fastest speed (0.5 % each) with as much again for the plant's slow noise. Friction: warming within a cycle.
RIPPLE_BOUND, COGGING_BOUND, FRICTION_BOUND = 0.04, 0.04, 0.005
ZERO_BOUND_NM = 0.002  # the plant's 1/f noise over the octaves longer than a cycle


def measured(cycle: PlantCycle, holes: list[tuple[int, int]], **known: Any) -> CycleRecord:
    """The record of a cycle without the samples in `holes` (start, length); `known` are further conditions."""
    recording = cycle.recording
    estimator = Estimator.start(recording.bench.settings(), 1)
    n = len(recording.raw)
    lost = np.zeros(n, np.bool_)
    for start, length in holes:
        lost[start : start + length] = True
    edges = [0, *(np.flatnonzero(np.diff(lost)) + 1).tolist(), n]
    events: list[Any] = []
    for a, b in pairwise(edges):
        events += estimator.gap(a, b) if lost[a] else estimator.add(recording.tile(a, b))
    events += estimator.interrupt("the end")
    (sums,) = [event for event in events if isinstance(event, CycleSums)]
    assert [leg.kind for leg in sums.legs] == ["slow_turn"] * 3 + ["hold"], sums.reasons
    return finish_cycle(sums, recording.bench.conditions(**known), 0, 0, 0, 0)


def hold_of(product: Product) -> float:
    return product.rated_torque_nm / 3


def errors(found: CycleRecord, cycle: PlantCycle) -> dict[str, float]:
    """Relative errors against the transducer's truth."""
    truth = {
        "ripple_pp_nm": cycle.ripple_pp_nm,
        "ripple_rms_nm": cycle.ripple_rms_nm,
        "cogging_pp_nm": cycle.cogging_pp_nm,
        "friction_nm": cycle.friction_nm,
    }
    out = {}
    for name, true in truth.items():
        value = found.figure(name).value
        assert value is not None, found.figure(name)
        out[name] = value / true - 1
    return out


@pytest.mark.parametrize("product", [PAN15, PAN20, PAN2], ids=lambda product: product.name)
@pytest.mark.parametrize("delay_s", [5e-4, 1e-2])
def test_at_little_noise_figures_are_the_plants_within_half_a_percent(
    product: Product, delay_s: float
) -> None:
    cycle = plant_cycle(product, delay_s=delay_s, hold_nm=hold_of(product))
    for name, error in errors(measured(cycle, []), cycle).items():
        assert abs(error) < 0.005, (name, error)


@pytest.mark.parametrize("corner_hz", [30.0, 100.0])
def test_a_filter_that_the_sheet_names_is_led_back_to_what_the_plant_has_without_it(corner_hz: float) -> None:
    filtered = replace(PAN15, bridge=replace(PAN15.bridge, filter_hz=corner_hz))
    plain, seen = (plant_cycle(each, hold_nm=hold_of(each)) for each in (PAN15, filtered))
    sheet = parse_sheet(sheet_of(filtered))
    known = {
        "filter_hz": sheet.filter_hz,
        "filter_poles": sheet.filter_poles,
        "filter_u_rel": 0.05,
        "filter_source": "the device's sheet",
    }
    raw, corrected = errors(measured(seen, []), plain), errors(measured(seen, [], **known), plain)
    lost = 1 - 1 / np.sqrt(1 + (288 * 3 / 60 / corner_hz) ** 2)  # of order 288, which makes most of either
    for name in ("ripple_pp_nm", "ripple_rms_nm", "cogging_pp_nm"):
        assert raw[name] < -0.3 * lost
        assert abs(corrected[name]) < 0.005, (name, corrected[name])


@settings(max_examples=25, deadline=None)
@given(
    product=st.sampled_from([PAN15, PAN20]),
    seed=st.integers(0, 2**31 - 1),
    white_nm=st.floats(0.0, 0.010),
    rpm=st.floats(2.0, 6.0),
    delay_s=st.floats(0.0, 0.010),
    holes=st.lists(st.tuples(st.integers(0, 60_000), st.integers(1, 300)), max_size=4),
)
def test_errors_against_the_plants_truth_stay_within_fixed_bounds(
    product: Product, seed: int, white_nm: float, rpm: float, delay_s: float, holes: list[tuple[int, int]]
) -> None:
    cycle = plant_cycle(
        product, seed=seed, white_nm=white_nm, rpm=rpm, delay_s=delay_s, hold_nm=hold_of(product)
    )
    found = measured(cycle, holes)
    error = errors(found, cycle)
    assert abs(error["ripple_pp_nm"]) < RIPPLE_BOUND
    assert abs(error["ripple_rms_nm"]) < RIPPLE_BOUND
    assert abs(error["cogging_pp_nm"]) < COGGING_BOUND
    assert abs(error["friction_nm"]) < FRICTION_BOUND
    zero = found.figure("zero_nm").value
    assert zero is not None
    assert abs(zero - cycle.zero_nm) < ZERO_BOUND_NM


@pytest.mark.parametrize("spall", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("delay_s", [5e-4, 1e-2])
def test_a_spall_does_not_take_the_cogging_figure_away(spall: float, delay_s: float) -> None:
    # its pulses oppose motion, so their orders change sign with the direction and vote for a lag a degree away
    cycle = plant_cycle(PAN15, spall=spall, delay_s=delay_s)
    found = measured(cycle, [])
    cogging = found.figure("cogging_pp_nm")
    assert cogging.status == "ok"
    # what is said is where its multiples lie
    (said,) = beside_the_rig(cogging.reasons)
    assert "does not repeat from turn to turn and is not in the value" in said
    passes = [
        float(order) / PAN15.bearing_order for order in re.findall(r"([0-9.]+) \([0-9.]+ .N·m peak\)", said)
    ]
    assert len(passes) >= 2
    assert passes == pytest.approx([round(each) for each in passes], abs=0.003)
    error = errors(found, cycle)
    assert abs(error["cogging_pp_nm"]) < 0.01
    assert abs(error["friction_nm"]) < 0.005


@pytest.mark.parametrize("spall", [0.1, 0.3, 0.5])
def test_a_spall_on_the_units_own_orders_does_not_either(spall: float) -> None:
    # 26 balls of 0.075 pass at order 12.025: its harmonics scatter 24, 36 and 48, which are the slots' and the drive's
    cycle = plant_cycle(PAN20, spall=spall)
    found = measured(cycle, [])
    assert found.figure("cogging_pp_nm").status == "ok"
    assert abs(errors(found, cycle)["cogging_pp_nm"]) < 0.01


@pytest.mark.parametrize("spall", [0.3, 1.0])
def test_a_spall_that_drowns_weak_orders_widens_their_interval(spall: float) -> None:
    cycle = plant_cycle(PAN2, spall=spall, hold_nm=hold_of(PAN2))
    cogging = measured(cycle, []).figure("cogging_pp_nm")
    wide = half_width(cogging)
    assert cogging.value is not None
    assert wide is not None
    assert abs(cogging.value - cycle.cogging_pp_nm) < wide
