"""The one sentence on a unit: the change and its cause, or how far the limit is off, or that nothing can be said."""

import msgspec
import numpy as np
import pandas as pd
import pytest
from tests.unit_history.nights import night, rising
from tests.unit_history.test_account import told, whole

from nightturn.estimation.figures import FRICTION, RIPPLE_PP
from nightturn.settings.variant import Acceptance
from nightturn.trend.series import FOLLOWED
from nightturn.unit_history.account import account
from nightturn.unit_history.headline import headline
from nightturn.unit_history.life import life
from nightturn.unit_history.nights import Night


def test_a_change_comes_first_with_its_time_and_what_it_is_consistent_with() -> None:
    said = headline(told(night(0, {FRICTION: rising(1500, 0.020)})))
    assert said.startswith("friction rises since 2026-11-26 0")
    assert "(90 %: " in said
    assert "; consistent with wear, dirt or loss of lubricant in the bearings (running friction " in said
    assert "rejected" not in said


def test_of_a_changed_unit_it_says_when_its_limits_first_rejected_a_cycle() -> None:
    one = night(0, {FRICTION: rising(1500, 0.020)})
    one.cycles.loc[one.cycles.index[120:], "verdict"] = "reject"
    begins = one.cycles["ts_start"].iloc[120].strftime("%Y-%m-%d %H:%M +00:00")
    assert headline(told(one)).endswith(f"; first cycle rejected by its limits: {begins}")


def test_of_two_figures_that_changed_the_one_that_wears_is_named() -> None:
    said = headline(told(night(0, {RIPPLE_PP: rising(1200, 0.010), FRICTION: rising(1500, 0.020)})))
    assert said.startswith("friction rises since ")


def test_without_a_change_it_says_how_far_the_nearest_limit_is_off() -> None:
    one = night(0, {})
    variant = msgspec.structs.replace(one.settings.variant, accept={FRICTION: Acceptance(max=0.150)})
    quiet = night(0, {}, settings=msgspec.structs.replace(one.settings, variant=variant))
    said = headline(told(quiet))
    assert said.startswith("no step or ramp began; friction: no trend (")
    assert "with 95 % the limit 150 mN·m is not reached within " in said


def test_without_a_limit_it_says_that_nothing_changed_and_no_more() -> None:
    assert headline(told(night(0, {}))) == "no step or ramp began"


def test_of_a_cold_unit_or_too_few_cycles_nothing_is_said_of_change() -> None:
    def warming(hours: np.ndarray, _: np.ndarray) -> np.ndarray:
        return np.asarray(20.0 + hours)

    nothing = "whether it changes is not judged yet: too few cycles of a warm unit"
    assert headline(told(night(0, {}, degc=warming))) == nothing
    assert headline(told(night(0, {}, cycles=30))) == nothing
    assert headline(told(night(0, {}, cycles=0))) == nothing


def test_a_figure_with_too_few_cycles_is_named_beside_those_without_a_change() -> None:
    one = night(0, {})
    one.cycles.loc[one.cycles.index[:100], f"{FRICTION}_status"] = "refused"
    assert headline(told(one)) == "no step or ramp began, but there are too few cycles for friction"


@pytest.mark.parametrize(("cycles", "says"), [(30, True), (2, False)])
def test_a_signal_that_jumps_is_named_with_its_cause_though_no_figure_is_judged(
    cycles: int, says: bool
) -> None:
    one = night(0, {})
    bad = one.cycles.index[-cycles:]

    def jumping(of: Night) -> pd.DataFrame:
        rows = whole(of)
        rows.loc[bad, "jumps"] = 6
        return rows

    one.cycles.loc[bad, "jumps"] = 6
    for name in FOLLOWED:
        one.cycles.loc[bad, f"{name}_status"] = "not judged"
    said = headline(account(life("Q-0121", [one]), jumping))
    assert said.startswith("no step or ramp began")
    assert ("; consistent with a bridge cable or plug with an intermittent contact (" in said) is says
