"""What a kelvin does to a variant, read from files of its other units, and who uses it."""

from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
from tests.unit_history.nights import Course, night, place, usual_settings
from tests.unit_history.stored_nights import stored
from tests.unit_history.test_earlier_stored import opened

from nightturn.estimation.figures import FRICTION
from nightturn.trend.earlier import EARLIER
from nightturn.unit_history.account import account_of
from nightturn.unit_history.asked import with_earlier
from nightturn.unit_history.nights import Night, place_of
from nightturn.unit_history.variant import slopes_of_variant

PLAN = place_of(usual_settings()).plan
CYCLES, NEXT = 90, "20261129T213000Z-77aa"


def swaying(hours: np.ndarray, _strokes: np.ndarray) -> np.ndarray:
    return np.asarray(24.0 + 2.0 * np.sin(2 * np.pi * hours / 4.0))


def warmed(degc: Course, per_k: float) -> Course:
    return lambda hours, strokes: 0.08 * (1 + per_k * (degc(hours, strokes) - 24.0))


def lived(number: int, per_k: float, degc: Course = swaying) -> Night:
    made = night(number, {FRICTION: warmed(degc, per_k)}, cycles=CYCLES, degc=degc)
    return replace(made, place=place(plan=PLAN))


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three units that went through a range of temperatures, and a fourth whose hall cooled down once."""
    folder = tmp_path_factory.mktemp("variant")
    for number, per_k in enumerate((-0.007, -0.008, -0.009)):
        stored(folder, lived(number, per_k), f"Q-030{number}", f"030{number}")
    cooled = lambda hours, _: np.where(hours < 3.5, 24.0, 22.5)  # noqa: E731 - one of two courses
    stored(folder, lived(3, -0.008, cooled), "Q-0121", "0121")
    return folder


def test_the_slope_of_a_variant_is_that_of_its_other_units_and_not_of_its_own(root: Path) -> None:
    found = next(each for each in slopes_of_variant(root, "pan15", "Q-0121", PLAN) if each.figure == FRICTION)
    assert found.units == 3
    assert found.per_k == pytest.approx(-0.008, rel=0.05)
    assert found.u == pytest.approx(0.001 * np.sqrt(4 / 3), rel=0.2)
    assert slopes_of_variant(root, "pan15", "Q-0300", PLAN) == ()
    assert slopes_of_variant(root, "pan20", "Q-0121", PLAN) == ()
    assert slopes_of_variant(root, "pan15", "Q-0121", "slow turn at 5 rpm") == ()
    assert slopes_of_variant(root / "none", "pan15", "Q-0121", PLAN) == ()


def test_history_takes_it_off_where_the_unit_has_no_range_of_its_own(root: Path) -> None:
    found = account_of(root, "Q-0121")
    friction = [" ".join(each.said) for each in found.courses if each.figure == FRICTION]
    assert friction
    assert all("by 3 other units of the variant" in each for each in friction)
    own = account_of(root, "Q-0301")
    assert not any("other units" in " ".join(each.said) for each in own.courses)


def test_a_first_night_of_a_further_unit_begins_with_it_and_says_so(root: Path) -> None:
    fact = msgspec.structs.replace(opened(NEXT, unit="Q-0399"), watch_threshold=8.0)
    found = EARLIER.decode(with_earlier(root, fact).earlier)
    assert {each.figure: each.units for each in found.variant_slopes}[FRICTION] == 3
    assert "a kelvin adds" in found.said
    assert "by 3 other units of the variant" in found.said
    assert found.points == {}
