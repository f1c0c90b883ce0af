"""Ground truth: from the plant's parameters, JSON-able, and with the defect where it is expected to be."""

import json
import math

import pytest

from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.condition import levels_at, spall_height_nm
from nightturn.virtual.products import PAN15, PRODUCTS, Product
from nightturn.virtual.truth import Json, truth

SLOW = 3.0 * math.tau / 60  # 3 rpm


def figures(
    product: Product, spall_nm: float = 0.0, degc: float = 25.0, torque_nm: float = 5.0
) -> dict[str, float]:
    levels = levels_at(product, degc, 0.0, spall_nm, 0.0)
    return {
        k: v
        for k, v in truth(product, levels, speed_rad_s=SLOW, torque_nm=torque_nm).items()
        if isinstance(v, float)
    }


@pytest.mark.parametrize("name", ["pan15", "pan20"])
def test_a_healthy_product_ripples_less_than_0_60_percent_of_rated(name: str) -> None:
    product = PRODUCTS[name]
    assert 0.3 < figures(product, torque_nm=product.rated_torque_nm / 3)["ripple_pct_rated"] < 0.60


def test_a_spall_carries_ripple_over_0_60_percent_within_three_hours() -> None:
    at = {hours: figures(PAN15, spall_height_nm(PAN15, hours, 1.0)) for hours in (0.0, 1.0, 3.0)}
    assert at[0.0]["ripple_with_defect_pp_nm"] < 0.0060 * 15 < at[3.0]["ripple_with_defect_pp_nm"]
    assert at[3.0]["friction_nm"] > 1.2 * at[0.0]["friction_nm"]
    assert at[0.0]["friction_nm"] < at[1.0]["friction_nm"] < at[3.0]["friction_nm"]


def test_the_transducer_sees_more_than_the_rotor_makes() -> None:
    healthy = figures(PAN15)
    assert healthy["cogging_pp_transducer_nm"] > healthy["cogging_pp_rotor_nm"]
    standing = truth(PAN15, levels_at(PAN15, 25.0, 0.0, 0.0, 0.0), speed_rad_s=0.0)
    assert standing["cogging_pp_transducer_nm"] == standing["cogging_pp_rotor_nm"]


def test_truth_is_asked_for_a_temperature_and_an_age() -> None:
    device = from_spec("pan15?seed=1").build()

    def friction(degc: float, strokes: float) -> Json:
        return device.truth(speed_rad_s=SLOW, temperature_degc=degc, strokes=strokes)["friction_nm"]

    new, warm, worn = friction(25.0, 0.0), friction(35.0, 0.0), friction(25.0, 50_000.0)
    assert isinstance(new, float)
    assert new == pytest.approx(0.08 + 0.03 * math.exp(-((SLOW / 0.05) ** 2)) + 0.02 * SLOW)
    assert warm == pytest.approx(0.92 * new)
    assert isinstance(worn, float)
    assert worn > new


def test_truth_and_its_log_are_plain_json() -> None:
    device = from_spec("pan15?seed=1&fault=spall@1s,guard@2s+1s").build()
    device.advance(10 * 10**9)
    text = json.dumps({"now": device.truth(speed_rad_s=SLOW, torque_nm=5.0), "log": device.truth_log()})
    log = json.loads(text)["log"]
    assert [(entry["kind"], entry["begins"]) for entry in log["happened"]] == [
        ("spall", True),
        ("guard", True),
        ("guard", False),
    ]
    assert log["snapshots"][0]["coulomb_nm"] > 0


def test_the_log_has_the_figures_and_orders_that_the_product_has_now() -> None:
    device = from_spec("pan15?seed=1").build()
    device.advance(10**9)
    figures = device.truth_log()["figures"]
    assert figures == device.truth(speed_rad_s=SLOW, torque_nm=5.0)
    assert isinstance(figures, dict)
    assert isinstance(figures["orders"], dict)
    assert {"cogging_pp_rotor_nm", "ripple_pp_rotor_nm", "friction_nm"} < set(figures)
    assert "288" in figures["orders"]
