"""What is told of a unit's life, sentence by sentence."""

import re
from collections.abc import Sequence
from dataclasses import replace

import msgspec
import numpy as np
import pandas as pd
import pytest
from tests.unit_history.nights import night, place, rising

from nightturn.cli import history_text
from nightturn.errors import StorageError
from nightturn.estimation.figures import COGGING_PP, FRICTION, MEAN_TORQUE, RIPPLE_PP, ZERO
from nightturn.model.verdicts import MAX, MIN
from nightturn.outlook.watch_outlook import watch_outlook
from nightturn.settings.rig import Bearing, Limit
from nightturn.settings.variant import Acceptance
from nightturn.trend.causes import VALUES, declared_of
from nightturn.trend.course import course_of
from nightturn.trend.limits_ahead import limits_ahead
from nightturn.unit_history.account import Account, account
from nightturn.unit_history.causes import EPOCHS_MAX, cycle_values, kept_of
from nightturn.unit_history.headline import headline
from nightturn.unit_history.life import life
from nightturn.unit_history.nights import Night


def whole(of: Night) -> pd.DataFrame:
    """The cycles of a night with the columns that causes are asked of."""
    rows = of.cycles.copy()
    rows["speed_rpm"], rows["setpoint_nm"], rows["coverage"] = 5.0, 5.0, 1.0
    rows["railed"], rows["jumps"] = 0, 0
    for name in (MEAN_TORQUE, RIPPLE_PP, COGGING_PP, FRICTION, ZERO):
        if name not in rows:
            rows[name], rows[f"{name}_status"], rows[f"{name}_u_rep"] = 5.0, "ok", 1e-4
        rows[f"{name}_nu_rep"], rows[f"{name}_u_common"] = 20.0, 0.0
    return rows


def told(*nights: Night) -> Account:
    return account(life("Q-0121", nights), whole)


def bad_from(at: int, jumps: int, of: Night) -> Night:
    """The same night, its torque signal jumping in every second cycle from one on, which is then not judged."""
    rows = whole(of)
    bad = np.arange(len(rows)) >= at
    rows.loc[bad, "jumps"] = jumps
    rows.loc[bad & (np.arange(len(rows)) % 2 == 0), f"{FRICTION}_status"] = "not judged"
    return replace(of, cycles=rows)


def test_a_torque_signal_that_jumps_is_asked_for_its_cause_although_no_figure_changed() -> None:
    bad = bad_from(60, 5, night(0, {}))
    found = account(life("Q-0121", [bad]), lambda each: each.cycles)
    assert [line.title for line in found.asked] == ["torque signal"]
    assert found.causes[0].startswith("Consistent with a bridge cable or plug")


def test_what_moves_while_few_cycles_are_there_is_no_cause_of_a_bad_signal() -> None:
    warm = bad_from(2, 0, night(0, {ZERO: lambda hours, _: 0.047 + 0.01 * hours}, cycles=6))
    warm.cycles["railed"] = [0, 0, 9, 9, 9, 9]
    warm.cycles.loc[2:, "status"] = "incomplete"
    found = account(life("Q-0121", [warm]), lambda each: each.cycles)
    assert found.causes == ()


def said(found: Account, title: str, direction: int = 1) -> Sequence[str]:
    return next(each.said for each in found.courses if (each.title, each.direction) == (title, direction))


def test_a_rising_ripple_is_told_with_when_from_where_to_where() -> None:
    found = told(night(0, {RIPPLE_PP: rising(1500, 0.010)}))
    line = next(each for each in found.courses if (each.title, each.direction) == ("ripple", 1))
    assert line.changed_ts is not None
    first, *rest = line.said
    assert first.startswith("rises since 2026-11-26 02:")
    assert "(90 %: " in first
    set_of = r"\(90 %: \d\d:\d\d to \d\d:\d\d, strokes 1\d{3} to 1\d{3}, cycles 9\d to \d{2,3}\)"
    assert re.search(rf" at stroke 1[45]\d\d {set_of}, from (79\.9|80)\S* mN·m to 88\.\d+ mN·m$", first)
    assert re.fullmatch(r"no trend judged: 2\d values, 30 are wanted", rest[0])
    assert line.level is not None
    assert line.level == pytest.approx(0.0888, abs=3e-4)


def test_several_changes_are_each_told_and_each_a_value_for_machines() -> None:
    def twice(_: np.ndarray, strokes: np.ndarray) -> np.ndarray:
        return 0.080 + 0.003 * (strokes >= 800) - 0.002 * (strokes >= 1600)

    found = told(night(0, {RIPPLE_PP: twice}))
    line = next(each for each in found.courses if (each.title, each.direction) == ("ripple", 1))
    assert line.said[0].startswith("stepped up ")
    assert line.said[1].startswith("then stepped down ")
    assert [each.kind for each in line.changes] == ["step", "step"]
    for change, true in zip(line.changes, (800, 1600), strict=True):
        assert change.strokes_from is not None
        assert change.strokes_to is not None
        assert change.strokes_from - 32 <= true <= change.strokes_to + 32
        assert change.ts_from <= change.ts <= change.ts_to
    assert f"then {line.changes[1].said}" == line.said[1]


def test_where_the_evidence_does_not_decide_step_and_ramp_are_both_told() -> None:
    def late(_: np.ndarray, strokes: np.ndarray) -> np.ndarray:
        return 0.080 + 0.0004 * np.clip((strokes - 1800) / 100, 0.0, 3.0)

    undecided = [
        text
        for seed in range(1, 5)
        for line in told(night(0, {RIPPLE_PP: late}, seed=seed, noise_nm=3e-4)).courses
        for text in line.said
        if line.title == "ripple" and text.endswith(": step or ramp is not decided")
    ]
    assert undecided
    assert all(text.count("(90 %: ") == 2 for text in undecided)
    assert all(("stepped up" in text) and ("rises since" in text) for text in undecided)


def test_the_watch_of_the_history_is_that_of_the_bench_whose_rate_it_shares() -> None:
    nights = [night(0, {}, cycles=8)]
    of_three = account(life("Q-0121", nights), whole, 0.05, 3).watch
    settings = nights[0].settings.fixture
    assert of_three == watch_outlook(settings, 3, 0.05).sentence
    assert of_three.startswith("0.05 false alarms expected a night over 3 fixtures, 12 figures, 2 sides and ")
    assert account(life("Q-0121", nights), whole).watch == watch_outlook(settings, 1, 0.05).sentence


def test_a_limit_ahead_is_told_in_strokes_and_by_the_clock() -> None:
    one = night(0, {FRICTION: rising(0, 0.020, 0.080)})
    fixture = msgspec.structs.replace(one.settings.fixture, protect={FRICTION: Limit(max=0.150)})
    found = told(replace(one, settings=msgspec.structs.replace(one.settings, fixture=fixture)))
    line = next(each for each in found.courses if (each.title, each.direction) == ("friction", 1))
    assert any(re.search(r"not reached before \d+ strokes more", text) for text in line.said)
    assert any(
        re.fullmatch(
            r"by the clock: changes by \S+ ± \S+ .N·m per hour; with 95 % the limit 150 mN·m is not reached before [\d.]+ h more",
            text,
        )
        for text in line.said
    )
    assert line.not_before_strokes is not None
    assert line.not_before_hours is not None
    # 16 strokes in 190 s; the two bounds are of the same line
    assert line.not_before_hours == pytest.approx(line.not_before_strokes / 16 * 190 / 3600, rel=0.02)


def test_a_zero_that_drifts_is_the_zeros_and_nothing_else_moves() -> None:
    found = told(night(0, {ZERO: rising(0, 0.0067, 0.047)}))
    text, by_the_clock = said(found, "zero")
    assert text.startswith("changes by 6.")
    assert text.endswith("mN·m per 1000 strokes, seen over 2040 strokes")
    assert re.fullmatch(r"by the clock: changes by 2\.\d+ ± 0\.\d+ mN·m per hour", by_the_clock)
    line = next(each for each in found.courses if each.title == "zero")
    assert [rate.axis for rate in line.rates] == ["strokes", "hours"]
    assert line.rates[0].slope == pytest.approx(6.7e-6, rel=0.03)
    assert line.rates[1].slope == pytest.approx(6.7e-6 * 16 * 3600 / 190, rel=0.03)
    assert found.causes == ()  # a steady drift has no baseline of its own to be held against


def test_a_change_is_held_against_the_table_of_causes() -> None:
    found = told(night(0, {FRICTION: rising(1500, 0.020)}))
    assert any(text.startswith("Consistent with wear, dirt or loss of lubricant") for text in found.causes)
    assert found.causes[-1].startswith("Compared are 20 cycles with 20 of the baseline.")


def test_a_night_whose_rows_cannot_be_read_says_so_instead_of_a_cause() -> None:
    def gone(_: Night) -> pd.DataFrame:
        raise StorageError("run 1: figures cleared")

    found = account(life("Q-0121", [night(0, {FRICTION: rising(1500, 0.020)})]), gone)
    assert found.causes == ("Causes are not looked for: run 1: figures cleared",)


def test_a_quiet_night_names_no_cause_and_a_limit_that_is_far_off() -> None:
    found = told(night(0, {}))
    assert found.causes == ()
    assert all(line.changed_ts is None for line in found.courses)
    assert all("no trend" in line.said[0] for line in found.courses)


def test_head_nights_and_steps_are_those_of_the_life() -> None:
    nights = [
        night(0, {}, cycles=10),
        night(1, {}, cycles=4, where=place(fixture="pan-b1", operator="K. Orr"), strokes_before=160),
    ]
    found = told(*nights)
    assert history_text.head(found) == [
        "Q-0121: 2 nights, 224 strokes, 252 turns by plan",
        "in cycles: 0.7 h at 25 to 30 °C",
        "no figure has a value that can be followed; left out, of each direction: 2 while the temperature moved",
    ]
    assert history_text.night_rows(found) == [
        ("2026-11-25 21:30 +00:00", "pan-a1", "10 of 10", "160 of 16000", "accept"),
        ("2026-11-26 21:30 +00:00", "pan-b1", "4 of 4", "64 of 16000", "accept"),
    ]
    assert history_text.step_rows(found) == [
        ("2026-11-26 21:30 +00:00", "moved from pan-a1 to pan-b1 by K. Orr (stroke 160)")
    ]
    assert history_text.course_tables(found) == []


def test_of_a_night_whose_files_cannot_be_read_nothing_is_counted_as_nothing() -> None:
    lost = replace(night(1, {}, cycles=0), strokes=None, problem="c1.parquet: CRC-32C 1, its name says 2")
    alone = told(lost)
    assert history_text.head(alone)[0] == "Q-0121: 1 night, strokes and turns not known"
    assert history_text.night_rows(alone)[0][2:4] == ("unknown", "unknown")
    both = history_text.head(told(night(0, {}, cycles=10), lost))
    assert (
        both[0]
        == "Q-0121: 2 nights, 160 strokes, 180 turns by plan in 1 of them; of the rest nothing is known"
    )
    assert f"not counted: {lost.run}: c1.parquet: CRC-32C 1, its name says 2" in both


def test_every_figure_has_its_table_with_both_directions() -> None:
    tables = history_text.course_tables(told(night(0, {})))
    assert [title for title, _ in tables] == [
        "ripple",
        "ripple, rms",
        "cogging",
        "friction",
        "breakaway",
        "zero",
    ]
    assert history_text.head(told(night(0, {})))[-1] == (
        "± of a course and of its slope is repeatability, 95 %: what the calibration leaves open is common to all its values"
    )
    for _, rows in tables:
        assert [name for name, _ in rows if name] == ["turning +", "turning −"]
        assert "cycles judged; left out: " in rows[0][1]


@pytest.mark.parametrize(
    ("level", "accept", "wanted"),
    [
        (0.080, Acceptance(max=0.150), [(0.150, MAX)]),
        (0.080, Acceptance(max=0.150, min=0.050), [(0.150, MAX), (0.050, MIN)]),
        (-0.080, Acceptance(max=0.150), [(-0.150, MIN)]),
        (-0.080, Acceptance(max=0.150, of="signed"), [(0.150, MAX)]),
        (0.080, Acceptance(max=0.150, direction="negative"), []),
        (0.080, Acceptance(max=0.150, direction="positive"), [(0.150, MAX)]),
    ],
)
def test_a_limit_is_asked_of_its_side_and_sense(
    level: float, accept: Acceptance, wanted: list[tuple[float, str]]
) -> None:
    one = night(0, {FRICTION: rising(0, 0.0, level)})
    course = course_of(
        next(s for s in life("Q-0121", [one]).series if (s.figure, s.direction) == (FRICTION, 1))
    )
    variant = msgspec.structs.replace(one.settings.variant, accept={FRICTION: accept})
    fixture = msgspec.structs.replace(one.settings.fixture, protect={})
    settings = msgspec.structs.replace(one.settings, variant=variant, fixture=fixture)
    assert [
        (each.limit, each.bound) for each in limits_ahead(course, settings.variant, settings.fixture.protect)
    ] == wanted


def test_of_two_limits_on_one_side_the_nearest_counts_and_one_of_rated_torque_is_in_newton_metres() -> None:
    one = night(0, {})
    course = course_of(
        next(s for s in life("Q-0121", [one]).series if (s.figure, s.direction) == (FRICTION, 1))
    )
    variant = msgspec.structs.replace(
        one.settings.variant, rated_torque_nm=15.0, accept={"friction_pct_rated": Acceptance(max=0.8)}
    )
    fixture = msgspec.structs.replace(one.settings.fixture, protect={FRICTION: Limit(max=0.4)})
    settings = msgspec.structs.replace(one.settings, variant=variant, fixture=fixture)
    (found,) = limits_ahead(course, settings.variant, settings.fixture.protect)
    assert found.limit == pytest.approx(0.120)


def test_a_stored_cycle_becomes_plain_values_and_older_columns_are_not_looked_for() -> None:
    row = {str(name): value for name, value in whole(night(0, {}, cycles=1)).iloc[0].items()}
    row["lines"] = np.array(
        [
            {"phase": phase, "order": 20.02, "amplitude_nm": size}
            for phase, size in (("hold", 0.009), ("slow_turn", 0.008))
        ]
    )
    row["defects"] = np.array(
        [
            {"figure": name, "angle_deg": 99.5, "width_deg": 1.0, "height_nm": 0.02}
            for name in ("ripple", "cogging")
        ]
    )
    row[f"{COGGING_PP}_n_rev"] = 2
    assert cycle_values(row, 0).defects is None  # two turns cannot tell a spike from a defect
    row[f"{COGGING_PP}_n_rev"] = 4
    found = cycle_values(row, 0)
    assert found.lines is not None
    assert [(line.order, line.amplitude_nm) for line in found.lines] == [(20.02, 0.008)]
    assert found.defects is not None
    assert [each.angle_deg for each in found.defects] == [99.5]
    assert (found.railed, found.jumps, found.hold_orders) == (0, 0, None)
    assert found.temperatures_degc == {"bearing": 25.0}
    del row["lines"], row["defects"], row["railed"]
    older = cycle_values(row, 0)
    assert (older.lines, older.defects, older.railed) == (None, None, None)


def test_the_bearings_of_unit_and_rig_are_declared_each_by_its_name() -> None:
    one = night(0, {}).settings
    own, rigs = Bearing(name="output", orders=(10.01,)), Bearing(name="spindle", orders=(7.1,))
    variant = msgspec.structs.replace(one.variant, bearing=(own,))
    assert declared_of(variant, (rigs,)).bearings == (
        ("bearing output of the unit", 10.01),
        ("bearing spindle", 7.1),
    )


def test_cycles_that_the_encoder_broke_off_count_with_the_next_complete_one() -> None:
    rows = whole(night(0, {}, cycles=5))
    rows["reasons"] = [[], ["the encoder jumped by 900 counts at sample 7 or up to 50 ms later"], [], [], []]
    rows.loc[1, "status"] = "incomplete"
    found = [VALUES.decode(each.packed).encoder_findings for each in kept_of(rows, 0)]
    assert found == [0, 1, 0, 0]
    assert [each.boot for each in kept_of(rows, 2)] == [2 * EPOCHS_MAX] * 4


def test_a_change_within_a_later_night_of_one_mounting_is_held_against_the_night_before() -> None:
    nights = [
        night(0, {}, cycles=60),
        night(1, {FRICTION: lambda hours, _: 0.080 + 0.004 * (hours > 2.0)}, cycles=60, strokes_before=960),
    ]
    found = told(*nights)
    first = found.asked[0]
    assert (first.figure, first.names) == (FRICTION, ("wear",))
    assert first.said[-1].startswith("Compared are 20 cycles with 20 of the baseline.")
    assert first.said == found.causes
    assert {line.title for line in found.asked} == {"friction"}


def test_every_change_is_asked_for_its_cause_and_the_table_shows_each_answer_once() -> None:
    courses = {
        FRICTION: lambda hours, _: 0.080 + 0.004 * (hours > 2.0),
        ZERO: lambda hours, _: 0.080 + 0.004 * (hours > 4.0),
    }
    found = told(night(0, courses))
    assert {(line.title, line.direction) for line in found.asked} == {
        (title, direction) for title in ("friction", "zero") for direction in (1, -1)
    }
    rows = history_text.cause_rows(found)
    assert [text for _, text in rows[: len(found.causes)]] == list(found.causes)
    assert [text[:10] for label, text in rows if label == "zero +"] == ["change of "]
    assert len(rows) == len(found.causes) + 1 + len(found.asked[2].said)


def test_a_quiet_night_is_asked_for_no_cause() -> None:
    found = told(night(0, {}))
    assert found.asked == ()
    assert history_text.cause_rows(found) == []


def cooled(by_k: float) -> Account:
    """A night whose hall cools down in its second half, with friction that follows by 0.8 % a kelvin."""

    def degc(hours: np.ndarray, _: np.ndarray) -> np.ndarray:
        return 25.0 - by_k * (1 - np.exp(-np.maximum(hours - 4.0, 0.0)))

    def friction(hours: np.ndarray, strokes: np.ndarray) -> np.ndarray:
        return 0.080 * (1 - 0.008 * (degc(hours, strokes) - 25.0))

    return told(night(0, {FRICTION: friction}, degc=degc))


def test_a_hall_that_cools_down_is_no_change_and_is_said_with_what_it_did_to_friction() -> None:
    found = cooled(4.0)
    assert all(line.changed_ts is None for line in found.courses)
    assert [(line.title, line.names) for line in found.asked] == [("temperature", ("colder",))]
    assert re.match(
        r"Consistent with a colder unit, whose grease is stiffer: temperature of the unit \(bearing\) fell from 2[45]\S* °C to 21\S* °C",
        found.causes[0],
    )
    assert "; consistent with a colder unit, whose grease is stiffer (" in headline(found)
    assert found.measure_next[0].what.startswith("compare cycles at the temperature of the baseline")


def test_a_hall_that_sways_by_less_is_not_said() -> None:
    found = cooled(1.5)
    assert found.asked == ()
    assert "colder" not in headline(found)
