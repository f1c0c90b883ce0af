"""Orders from poles and slots, the resonance of the rig, and waveforms rebuilt from both."""

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.virtual.orders import (
    TABLE_POINTS,
    Wave,
    phase_rad,
    phasors,
    transfer,
    waveform,
)
from nightturn.virtual.plant import cells_of
from nightturn.virtual.products import PAN15, PRODUCTS, outer_race_order


@pytest.mark.parametrize("name", PRODUCTS)
def test_every_order_of_a_product_can_be_expected_from_its_poles_and_slots(name: str) -> None:
    product = PRODUCTS[name]
    lcm = math.lcm(
        2 * product.pole_pairs, product.slots
    )  # Z. Q. Zhu, D. Howe, IEEE Trans. Energy Conversion 15(4), 2000, 407-412 (from memory)
    load = {electrical * product.pole_pairs for electrical in (1, 2, 6, 12)}
    expected = {1, 2, 2 * product.pole_pairs, product.slots, lcm, 2 * lcm} | load
    assert {order for order, _ in (*product.cogging, *product.ripple)} <= expected


@pytest.mark.parametrize(
    ("balls", "ball", "pitch", "order"),
    [(9, 0.3126, 1.537, 3.5848), (8, 0.2656, 1.122, 3.0530)],
    ids=["6205, CWRU Bearing Data Center", "6203, CWRU Bearing Data Center"],
)
def test_a_bearing_passes_its_balls_as_often_as_published(
    balls: int, ball: float, pitch: float, order: float
) -> None:
    # Multiples of shaft speed: Case Western Reserve University, Bearing Data Center, read in a comment that quotes it;
    # the geometry is from memory.
    assert outer_race_order(balls, ball / pitch) == pytest.approx(order, abs=3e-4)


def test_the_resonance_of_the_example_rig_lies_at_91_9_hz() -> None:
    fr_hz = math.sqrt(PAN15.stiffness_nm_per_rad / PAN15.inertia_kg_m2) / math.tau
    assert fr_hz == pytest.approx(91.9, abs=0.05)


@pytest.mark.parametrize("ratio", [0.05, 0.1, 0.3, 0.5, 1.0, 2.0])
def test_the_rig_amplifies_like_a_spring_and_damper_under_an_inertia(ratio: float) -> None:
    # transmissibility of a single degree of freedom with a moved base; from memory
    omega_r = math.sqrt(PAN15.stiffness_nm_per_rad / PAN15.inertia_kg_m2)
    zeta = PAN15.damping_nm_s_per_rad / (2 * math.sqrt(PAN15.stiffness_nm_per_rad * PAN15.inertia_kg_m2))
    expected = (1 + 2j * zeta * ratio) / (1 - ratio**2 + 2j * zeta * ratio)
    assert transfer(PAN15, ratio * omega_r) == pytest.approx(expected)
    assert transfer(PAN15, -ratio * omega_r) == pytest.approx(expected.conjugate())


@pytest.mark.parametrize("name", PRODUCTS)
def test_a_rig_passes_orders_unchanged_at_the_root_of_two_times_its_resonance(name: str) -> None:
    """Where all curves of transmissibility cross, whatever the damping; from memory, and (1 + 8 z²) / (1 + 8 z²) by arithmetic."""
    product = PRODUCTS[name]
    omega_r = math.sqrt(product.stiffness_nm_per_rad / product.inertia_kg_m2)
    assert abs(transfer(product, math.sqrt(2.0) * omega_r)) == pytest.approx(1.0, rel=1e-12)


def test_a_table_is_the_sum_of_its_sines() -> None:
    angle = np.arange(TABLE_POINTS) * (math.tau / TABLE_POINTS)
    direct = sum(amplitude * np.sin(order * angle + phase_rad(order)) for order, amplitude in PAN15.cogging)
    assert waveform(phasors(PAN15, PAN15.cogging, 0.0)) == pytest.approx(direct, abs=1e-12)


@given(st.floats(-3e5, 3e5, allow_nan=False))
def test_a_wave_is_read_between_its_points_across_the_seam(position: float) -> None:
    wave = Wave.of(np.cos(np.arange(TABLE_POINTS) * (math.tau / TABLE_POINTS)))
    cell, rest = cells_of(np.array([position]))
    assert wave.at(cell, rest)[0] == pytest.approx(math.cos(position * math.tau / TABLE_POINTS), abs=1e-6)


@pytest.mark.parametrize(("share", "left"), [(0.5, 0.894427), (1.0, 0.707107), (2.0, 0.447214)])
def test_a_filter_of_one_pole_leaves_what_its_corner_says_and_is_late(share: float, left: float) -> None:
    # 1 / sqrt(1 + r²) and atan r of one pole (common practice, no source)
    plain = PAN15
    filtered = replace(plain, bridge=replace(plain.bridge, filter_hz=10.0))
    omega = math.tau * 10.0 * share
    found = transfer(filtered, omega) / transfer(plain, omega)
    assert abs(found) == pytest.approx(left, abs=1e-6)
    assert cmath.phase(found) == pytest.approx(-math.atan(share))
    assert transfer(filtered, -omega) == pytest.approx(transfer(filtered, omega).conjugate())
