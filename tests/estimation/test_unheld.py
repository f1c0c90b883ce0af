"""A pass in the hold's place that holds too little."""

from dataclasses import replace

from tests.estimation.synthetic import clean, cycles_of
from tests.estimation.test_gates import BENCH, SLOW, finish

from nightturn.model.figures import CycleRecord


def held_at(hold_nm: float) -> CycleRecord:
    """A cycle whose hold has this torque where the plan has the bench's, both at one speed."""
    recording = clean(replace(BENCH, hold_nm=hold_nm)).recorded(0)
    sums = cycles_of(recording, hold_threshold_raw=round(BENCH.hold_nm / 2 / BENCH.lsb_nm))[0]
    return finish(sums)


def test_a_hold_too_weak_for_one_at_the_speed_of_the_slow_passes_takes_every_figure_with_it() -> None:
    """Volts as N·m: nothing but torque tells the hold from a slow pass at its speed, and there is too little of it."""
    found = held_at(1.25)
    for name in SLOW:
        figure = found.figure(name)
        assert figure.status == "not judged"
        assert figure.reasons[-1] == (
            "The pass where the plan holds 5 N·m reads 1.14 N·m, too little for a hold and too much for none: check unit and factor of "
            "the torque channel, or whether the unit held."
        )
    assert found.figure("ripple_pp_nm").status == "incomplete"


def test_a_pass_without_load_in_the_holds_place_says_nothing_against_the_unit() -> None:
    assert held_at(1e-6).figure("friction_nm").status == "ok"
