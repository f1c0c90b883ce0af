"""From a spec to a fixture."""

import pytest

from nightturn.errors import ConfigError
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.faults import Fault
from nightturn.virtual.sheet import sheet_of
from nightturn_protocol.sheet import parse_sheet


def test_a_spec_says_product_seed_faults_and_drift() -> None:
    spec = from_spec("virtual:pan15?seed=7&fault=spall@5h&drift_ppm=20&fault=outage@3h+20s")
    assert (spec.product.name, spec.seed, spec.drift_ppm) == ("pan15", 7, 20.0)
    assert spec.faults == (Fault("outage", 10_800 * 10**9, 20 * 10**9), Fault("spall", 18_000 * 10**9))


def test_a_spec_may_be_only_a_name() -> None:
    assert from_spec("pan2").product.rated_torque_nm == 2.0


def test_a_unit_differs_from_its_product_where_the_spec_says_so() -> None:
    device = from_spec("pan20?noise=0&zero_mv=3&zero_drift_mv_h=1&delay_ms=2&strokes=500&polarity=-1").build()
    bridge = device.product.bridge
    assert (bridge.white_v, bridge.flicker_v, bridge.hum_v) == (0.0, 0.0, 0.0)
    assert (bridge.zero_v, bridge.zero_drift_v_per_h, bridge.delay_s) == (0.003, 0.001, 0.002)
    assert (device.plant.condition.strokes, device.plant.polarity) == (500.0, -1)


def test_a_device_may_lack_optional_features_and_fail_its_self_test() -> None:
    unit = from_spec("pan15?without=extremes,firmware,outputs&self_test=5").unit
    assert unit.features == ("drive", "pattern")
    assert unit.self_test == 5


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("pan16", "pan15"),
        ("pan15?sead=7", "seed"),
        ("pan15?seed=x", "whole number"),
        ("pan15?seed=1.5", "whole number"),
        ("pan15?seed=-1", "0"),
        ("pan15?drift_ppm=9000", "500"),
        ("pan15?polarity=2", "1, -1"),
        ("pan15?noise=", "number"),
        ("pan15?ring_bytes=10", "2048"),
        ("pan15?fault=spall", "KIND@TIME"),
        ("pan15?without=drive", "some of extremes, firmware, outputs"),
        ("pan15?self_test=4294967296", "4294967295"),
    ],
)
def test_a_spec_that_cannot_be_built_says_what_is_allowed(text: str, named: str) -> None:
    with pytest.raises(ConfigError, match="allowed") as caught:
        from_spec(text)
    assert named in str(caught.value)


def test_a_filter_that_a_spec_asks_for_is_in_the_sheet_and_no_other() -> None:
    plain, filtered = (
        parse_sheet(sheet_of(spec.unit.of(spec.product)))
        for spec in (from_spec("pan15"), from_spec("pan15?filter_hz=40"))
    )
    assert (plain.filter_hz, filtered.filter_hz, filtered.filter_poles) == (None, 40.0, 1)
