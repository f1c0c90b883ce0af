"""How near to its limit a figure can be decided, by the certificate alone."""

import msgspec
import pytest
from tests.fixture.stations import STATION, accepting

from nightturn.model.certificates import Certificate, Expanded
from nightturn.outlook.plan import outlook
from nightturn.settings.variant import Acceptance

FACTOR = Certificate(factor_rel=0.005)
VARIANT = accepting(friction_nm=Acceptance(max=0.150, guard=0.01), ripple_pct_rated=Acceptance(max=0.60))
T_95 = 1.959964  # two-sided 95 % of the normal distribution


def test_without_an_uncertainty_in_the_record_nothing_is_promised() -> None:
    assert outlook(STATION, VARIANT).decidable == ()
    assert outlook(STATION, VARIANT, certificate=Certificate(gain_rel=0.001)).decidable == ()


def test_the_factor_leaves_open_its_share_of_the_limit_and_no_limit_is_too_narrow_for_it() -> None:
    friction, ripple = outlook(STATION, VARIANT, certificate=FACTOR).decidable
    assert (friction.figure, friction.unit, ripple.unit) == ("friction_nm", "N·m", "%")
    assert friction.open_within == pytest.approx(T_95 * 0.005 * 0.150, rel=1e-4)
    assert ripple.open_within == pytest.approx(T_95 * 0.005 * 0.60, rel=1e-4)
    assert (friction.narrowest, ripple.narrowest) == (0.01, 0.0)


def test_what_zero_does_within_a_cycle_leaves_narrow_limits_open() -> None:
    """Half of what 1 K changes at 0.1 % of 20 N·m per 10 K: 1 mN·m of standard uncertainty."""
    unsure = Certificate(factor_rel=0.0, full_scale_nm=20.0, tk0_rel_fs_per_10k=0.001)
    (friction,) = outlook(STATION, accepting(friction_nm=Acceptance(max=0.15)), certificate=unsure).decidable
    assert friction.narrowest == pytest.approx(T_95 * 0.5 * 1.0 * 0.1 * 0.001 * 20.0, rel=1e-4)
    assert friction.open_within == pytest.approx(friction.narrowest, rel=1e-9)


def test_a_certificate_twice_as_good_leaves_half_as_much_open() -> None:
    half = msgspec.structs.replace(FACTOR, factor_rel=Expanded(expanded=0.005, k=2.0))
    whole, better = (outlook(STATION, VARIANT, certificate=each).decidable[0] for each in (FACTOR, half))
    assert better.open_within == pytest.approx(whole.open_within / 2)


@pytest.mark.parametrize(
    ("limit", "told"),
    [
        (
            Acceptance(max=0.0019),
            "at 1.9 mN·m, because calibration and guard band leave 2 mN·m open",
        ),
        (
            Acceptance(max=0.15, min=0.146),
            "at 146 mN·m to 150 mN·m, because calibration and guard band leave 5.9 mN·m open",
        ),
        (
            Acceptance(max=0.15, min=0.13, guard=0.008),
            "at 130 mN·m to 150 mN·m, because calibration and guard band leave 22 mN·m open",
        ),
        (Acceptance(max=0.0021), ""),
        (Acceptance(max=0.15, min=0.144), ""),
        (Acceptance(min=0.0001), ""),
    ],
)
def test_a_limit_that_no_unit_can_be_shown_to_keep_is_a_warning(limit: Acceptance, told: str) -> None:
    """Half of what 1 K changes at 0.1 % of 20 N·m per 10 K, and 0.75 % of the value: 1.96 mN·m and, at 150 mN·m, 2.95."""
    unsure = Certificate(
        factor_rel=Expanded(expanded=0.015, k=2.0), full_scale_nm=20.0, tk0_rel_fs_per_10k=0.001
    )
    found = [
        each
        for each in outlook(STATION, accepting(friction_nm=limit), certificate=unsure).warnings
        if "nothing can be accepted" in each
    ]
    told = f"friction_nm: nothing can be accepted {told} whatever is measured; " if told else ""
    assert found == ([f"{told}widen the limit, or use a certificate of less uncertainty"] if told else [])
