"""What a plan has beside its cycles, before anything turns: hours, travel, and what is refused."""

import msgspec
import pytest
from tests.fixture.stations import PAN15, planned

from nightturn.motion.moves import cycle_moves, positions
from nightturn.outlook.plan import Outlook, outlook
from nightturn.settings.rig import Conditioning, Exercise, FixtureSettings, Park, Soak, Travel

SOAK = Soak(hours=2.0, speed_rpm=6.0, angle_deg=360.0)


def refusals(settings: FixtureSettings) -> list[str]:
    return [str(each) for each in outlook(settings, PAN15).errors]


def within(low: float, high: float, **plan: object) -> FixtureSettings:
    return msgspec.structs.replace(planned(**plan), travel=Travel(range_deg=(low, high)))


def test_a_plan_takes_the_hours_of_warm_up_and_soaks_beside_its_cycles() -> None:
    plain = outlook(planned(cycles=40), PAN15)
    every = msgspec.structs.replace(SOAK, every_cycles=20)
    warm = Conditioning(hours=0.5, speed_rpm=9.0)
    found = outlook(planned(cycles=40, warm_up=warm, soak=every), PAN15)
    assert found.plan_s == pytest.approx(plain.plan_s + (0.5 + 2 * 2.0) * 3600)  # before cycles 1 and 21
    assert [each.times for each in found.routine.conditioning] == [1, 2]
    # 8 h less 2.5 h are 19800 s, of 407.76 s: 20 cycles in 8155 s, 2 h of soak, 10 cycles in the 4445 s left
    assert found.cycles_per_night == 30
    assert found.net_travel_deg == 0.0


def test_nobody_counts_on_cycles_behind_a_park_that_no_person_ends() -> None:
    found = outlook(planned(cycles=2000, park=Park(every_cycles=10)), PAN15)
    assert (found.cycles_per_night, found.routine.parks) == (10, 199)
    assert found.warnings == ()
    (warning,) = outlook(planned(cycles=2000, park=Park(every_cycles=5)), PAN15).warnings
    assert warning.startswith("park: every_cycles = 5 is odd")


def test_a_soak_reaches_inward_from_both_ends_of_a_cycle() -> None:
    far = positions(cycle_moves(planned(), 0), 0)[-1] / 2**20 * 360
    found = outlook(planned(soak=SOAK), PAN15).routine.conditioning[0]
    assert found.peak_deg == pytest.approx((0.0, max(far, 360.0)))
    wide = msgspec.structs.replace(SOAK, angle_deg=far + 100.0)
    assert outlook(planned(soak=wide), PAN15).peak_deg == pytest.approx((-100.0, far + 100.0))


def test_a_soak_that_would_leave_the_travel_is_refused_with_the_angle_that_fits() -> None:
    (error,) = refusals(within(-50.0, 2400.0, soak=msgspec.structs.replace(SOAK, angle_deg=1900.0)))
    far = positions(cycle_moves(planned(), 0), 0)[-1] / 2**20 * 360
    assert '[fixture.plan.soak] of fixture "pan-a1", angle_deg: 1900 would turn from ' in error
    assert "outside range_deg = [-50, 2400]" in error
    assert error.endswith(f"at most {int(far + 50.0)}")
    assert refusals(within(-50.0, 2400.0, soak=msgspec.structs.replace(SOAK, angle_deg=far + 49.0))) == []


def test_a_park_outside_the_travel_is_refused() -> None:
    (error,) = refusals(planned(park=Park(every_cycles=2, angle_deg=-3000.0)))
    assert error == (
        'bench.toml, [fixture.plan.park] of fixture "pan-a1", angle_deg: -3000 lies outside range_deg = [-2400, 2400]; '
        "allowed: -2400 to 2400"
    )


def test_soak_strokes_that_never_reach_their_speed_are_refused() -> None:
    (error,) = refusals(planned(soak=msgspec.structs.replace(SOAK, angle_deg=20.0, speed_rpm=60.0)))
    assert '[fixture.plan.soak] of fixture "pan-a1", angle_deg: a stroke of 20° ' in error
    assert "so none would be counted" in error


def test_a_load_above_the_rated_torque_in_the_strokes_is_warned_of() -> None:
    found: Outlook = outlook(planned(exercise=Exercise(strokes=50, torque_nm=16.0)), PAN15)
    assert "exercise: 16 N·m is above the rated torque of 15 N·m" in found.warnings
