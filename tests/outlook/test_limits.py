"""Limits against the rated torque, the plan and each other."""

import msgspec
import pytest
from tests.fixture.stations import PAN15, STATION, accepting, planned, station

from nightturn.model.certificates import Certificate
from nightturn.outlook.limit_outlook import acceptance_outlook, protection_outlook
from nightturn.outlook.plan import outlook
from nightturn.settings.rig import FixtureSettings, Limit
from nightturn.settings.variant import Acceptance, Variant


def warnings(settings: FixtureSettings = STATION, variant: Variant = PAN15) -> tuple[str, ...]:
    return outlook(settings, variant).warnings


def protecting(**limits: float) -> FixtureSettings:
    return station(protect={name: Limit(max=size) for name, size in limits.items()})


def test_a_limit_in_the_wrong_unit_is_a_warning_with_the_number_that_was_meant() -> None:
    assert warnings(variant=accepting(friction_nm=Acceptance(max=150.0))) == (
        (
            "variants/pan15.toml, [accept.friction_nm], max: 150 N·m is 10 times the rated torque of 15 N·m; "
            "allowed: 150 µN·m to 15 N·m; looks like mN·m, the key is in N·m; did you mean 0.15?"
        ),
    )
    assert warnings(variant=accepting(friction_nm=Acceptance(max=0.000149))) == (
        (
            "variants/pan15.toml, [accept.friction_nm], max: 149 µN·m is less than a bridge resolves with 15 N·m; "
            "allowed: 150 µN·m to 15 N·m; the key is in N·m; did you mean 0.149?"
        ),
    )
    assert warnings(variant=accepting(friction_nm=Acceptance(max=0.150))) == ()


@pytest.mark.parametrize(
    "figure", ["ripple_pp_nm", "cogging_pp_nm", "friction_nm", "ripple_rms_nm", "zero_nm"]
)
@pytest.mark.parametrize(("size", "doubted"), [(15.0, False), (15.1, True), (1.5e-4, False), (1.4e-4, True)])
def test_a_limit_is_plausible_from_a_hundred_thousandth_of_the_rated_torque_to_all_of_it(
    figure: str, size: float, doubted: bool
) -> None:
    assert bool(warnings(variant=accepting(**{figure: Acceptance(max=size)}))) == doubted


@pytest.mark.parametrize(("size", "doubted"), [(100.0, False), (101.0, True), (0.001, False), (0.0009, True)])
def test_a_limit_in_per_cent_of_the_rated_torque_is_at_most_all_of_it(size: float, doubted: bool) -> None:
    found = warnings(variant=accepting(ripple_pct_rated=Acceptance(max=size)))
    assert bool(found) == doubted
    assert all("did you mean" not in each and "allowed: 0.001 % to 100 %" in each for each in found)


def test_a_protective_limit_that_can_never_act_looks_like_another_unit() -> None:
    assert warnings(protecting(torque_nm=18_000.0)) == (
        (
            'bench.toml, [fixture.protect.torque_nm] of fixture "pan-a1", max: 18000 N·m is 1200 times the rated torque of '
            "15 N·m; allowed: 150 µN·m to 75 N·m; looks like mN·m, the key is in N·m; did you mean 18?"
        ),
    )
    assert warnings(protecting(torque_nm=18.0)) == ()
    assert warnings(protecting(mean_torque_nm=18.0)) == ()  # a torque itself, not a part of one
    assert len(warnings(protecting(friction_nm=18.0))) == 1


def test_a_torque_limit_that_a_good_unit_may_pass_is_a_warning() -> None:
    good = accepting(ripple_pct_rated=Acceptance(max=0.6), friction_nm=Acceptance(max=0.15))
    # 5 N·m held, half of 90 mN·m peak to peak, 150 mN·m of friction
    assert warnings(protecting(torque_nm=5.19), good) == (
        (
            'bench.toml, [fixture.protect.torque_nm] of fixture "pan-a1", max: 5.19 N·m may end the run of a good unit: the 5 N·m of hold, '
            "half the accepted ripple and the accepted friction add up to 5.195 N·m; allowed: a number above 5.195"
        ),
    )
    assert warnings(protecting(torque_nm=5.2), good) == ()


def test_loaded_strokes_near_the_torque_limit_are_a_warning_by_how_much_the_calibration_leaves_open() -> None:
    loaded = msgspec.structs.replace(STATION.plan.exercise, torque_nm=17.9)
    settings = msgspec.structs.replace(planned(exercise=loaded), protect={"torque_nm": Limit(max=18.0)})

    def early(certificate: Certificate | None, variant: Variant = PAN15) -> list[str]:
        found = outlook(settings, variant, certificate=certificate).warnings
        return [each for each in found if "may end the run" in each]

    assert early(None) == []  # nothing is known of ripple, friction or calibration
    # 0.5 % of 17.9 N·m, twice
    (said,) = early(Certificate(factor_rel=0.005))
    assert said.startswith(
        'bench.toml, [fixture.protect.torque_nm] of fixture "pan-a1", max: 18 N·m may end the run of a good unit: the 17.9 N·m of '
        "exercise and the ± of the calibration add up to 18.0"
    )
    assert "; allowed: a number above 18.0" in said
    assert early(Certificate(factor_rel=0.002)) == []
    rippled = accepting(ripple_pct_rated=Acceptance(max=2.0))
    assert (
        "exercise, half the accepted ripple and the ± of" in early(Certificate(factor_rel=0.002), rippled)[0]
    )


@pytest.mark.parametrize("limit", [Acceptance(max=0.6), Acceptance(max=0.6, temp_degc=(18.0, 30.0))])
def test_a_figure_without_its_phase_is_not_judged_even_without_a_condition_on_speed(
    limit: Acceptance,
) -> None:
    assert warnings(planned(hold=None), accepting(ripple_pp_nm=limit)) == (
        "ripple_pp_nm is measured in the phase hold, which is not planned: it will not be judged",
    )


def test_a_protective_limit_on_a_figure_without_its_phase_never_acts() -> None:
    settings = msgspec.structs.replace(planned(hold=None), protect={"ripple_pp_nm": Limit(max=0.6)})
    assert warnings(settings) == (
        "ripple_pp_nm is measured in the phase hold, which is not planned: its protective limit never acts",
    )


def test_every_limit_is_in_the_outlook_with_its_unit() -> None:
    accepted = acceptance_outlook(
        accepting(ripple_pct_rated=Acceptance(max=0.6), friction_nm=Acceptance(max=0.15))
    )
    assert [(each.figure, each.unit) for each in accepted] == [
        ("ripple_pct_rated", "%"),
        ("friction_nm", "N·m"),
    ]
    assert [nm for each in accepted for _, _, nm in each.bounds] == pytest.approx([0.09, 0.15], rel=1e-12)
    protection = protection_outlook(protecting(torque_nm=18.0, friction_pct_rated=3.0))
    assert [(each.figure, each.unit) for each in protection] == [
        ("torque_nm", "N·m"),
        ("friction_pct_rated", "%"),
    ]
