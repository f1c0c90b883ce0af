"""The standard uncertainty of a peak-to-peak against what noise does to it, waveform by waveform."""

import numpy as np
import pytest

from nightturn.estimation import extremes
from nightturn.estimation.extremes import Lines, expected_peak_to_peak
from nightturn.estimation.families import faint_orders
from nightturn.estimation.waveform import rebuild

ORDERS = np.array([1, 2, 12, 14, 42, 84])
SIZES = np.array([0.004, 0.003, 0.008, 0.006, 0.011, 0.020])
SD = 2e-4
NOTHING = faint_orders(
    np.zeros(101, np.complex128),
    np.ones(101),
    np.ones(101),
    frozenset(),
    frozenset(),
    ORDERS.astype(np.int64),
)


@pytest.mark.parametrize("seed", range(6))
def test_the_uncertainty_is_the_scatter_of_the_peak_to_peak_within_a_few_percent(seed: int) -> None:
    """600 noises know a scatter to 3 %; the 48 trials alone were off by 21 % for one of these waveforms."""
    rng = np.random.default_rng(seed)
    true = SIZES * np.exp(2j * np.pi * rng.uniform(size=len(SIZES)))
    spans = []
    for _ in range(600):
        noise = SD * (rng.standard_normal(len(true)) + 1j * rng.standard_normal(len(true)))
        spans.append(float(np.ptp(rebuild(ORDERS, true + noise, 1024))))
    lines = Lines(ORDERS, true, np.full(len(true), SD**2))

    assert expected_peak_to_peak(lines, NOTHING).u_nm == pytest.approx(np.std(spans), rel=0.12)


@pytest.mark.parametrize("noise_nm", [1e-9, 2e-4, 2e-3])
def test_trials_at_the_angles_that_matter_give_what_all_angles_give(
    monkeypatch: pytest.MonkeyPatch, noise_nm: float
) -> None:
    rng = np.random.default_rng(4)
    true = SIZES * np.exp(2j * np.pi * rng.uniform(size=len(SIZES)))
    lines = Lines(ORDERS, true, np.full(len(true), noise_nm**2))
    others = np.array([n for n in range(101) if n not in ORDERS])
    read = np.zeros(101, np.complex128)
    read[others] = noise_nm * (rng.standard_normal(len(others)) + 1j * rng.standard_normal(len(others)))
    family = frozenset(range(1, 60))
    faint = faint_orders(
        read, np.full(101, noise_nm**2), np.full(101, 9.0), frozenset({3, 4}), family, ORDERS
    )
    assert len(faint.orders) == 37
    found = []
    for most in (1e9, 8, 0):  # always the angles that matter, whichever is quicker, always all
        monkeypatch.setattr(extremes, "ALL_ANGLES", most)
        found.append(expected_peak_to_peak(lines, faint))
    for one in found[:2]:
        assert one.value_nm == pytest.approx(found[2].value_nm, rel=1e-12)
        assert one.u_nm == pytest.approx(found[2].u_nm, rel=1e-7)
        assert one.faint_nm == pytest.approx(found[2].faint_nm, rel=1e-7, abs=1e-12)
