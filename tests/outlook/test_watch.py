"""What `check` states of the watch is what the daemon holds its sums against."""

import asyncio
from pathlib import Path

import msgspec
import pytest
from tests.settings.bench_folder import RIG, spoilt, write_bench
from tests.storage.store import rig_settings

from nightturn.cli.outlook_text import watch_rows
from nightturn.daemon.serve import serve
from nightturn.errors import ConfigError
from nightturn.estimation.figures import FIGURES, FRICTION
from nightturn.motion.moves import cycle_seconds
from nightturn.outlook.watch_outlook import NIGHT_S, check_rate, watch_budget, watch_outlook
from nightturn.settings.load import load_rig
from nightturn.settings.rig import SlopeLimit, Trend
from nightturn.trend.cusum import WATCHED_FROM
from nightturn.trend.run_length import run_length
from nightturn.trend.series import FOLLOWED


def test_the_rate_is_divided_over_all_fixtures_figures_directions_and_sides() -> None:
    settings = rig_settings()
    cycles = int(NIGHT_S / cycle_seconds(settings)) // 2
    found = watch_outlook(settings, 3, 0.05)
    assert found.run_length == pytest.approx(3 * len(FOLLOWED) * 2 * 2 * cycles / 0.05)
    assert run_length(found.threshold, clip=4.0) == pytest.approx(found.run_length, rel=1e-6)
    assert found.threshold == watch_budget(settings, 3, 0.05).threshold
    assert found.threshold < watch_outlook(settings, 30, 0.05).threshold
    assert found.threshold < watch_outlook(settings, 3, 0.005).threshold


def test_the_row_says_the_rate_when_it_is_armed_and_what_a_change_does() -> None:
    settings = rig_settings()
    ((name, text),) = watch_rows(watch_outlook(settings, 2, 0.05))
    assert name == "watch"
    assert text.startswith("0.05 false alarms expected a night over 2 fixtures, 12 figures, 2 sides and ")
    assert text.endswith("; a change is a note, and the run goes on")
    assert watch_outlook(settings, 2, 0.05).armed_s == 3600.0 + 2 * WATCHED_FROM * cycle_seconds(settings)
    assert "; a unit with earlier nights on this rig from " in text
    assert ", on the same mounting from 1 h 0 min; " in text
    stops = msgspec.structs.replace(settings, trend=Trend(on_change="stop"))
    assert watch_rows(watch_outlook(stops, 2, 0.05))[0][1].endswith(
        "; a change is to be acted on now, and ends the run"
    )


def test_slopes_and_limits_are_said_with_how_urgent_each_is_and_what_it_costs_in_false_alarms() -> None:
    slope = {FRICTION: SlopeLimit(per_1000_strokes=0.0005, per_hour=0.001, say="today")}
    trend = Trend(on_change="today", limit_within_h=72.0, limit_act_now_h=2.0, slope=slope)
    rows = watch_rows(watch_outlook(msgspec.structs.replace(rig_settings(), trend=trend), 2, 0.05))
    assert rows[0][1].endswith("; a change is to be looked at today, and the run goes on")
    name, text = rows[1]
    assert name == "trends"
    assert text.split("; ") == [
        "today: friction changes by more than 500 µN·m per 1000 strokes or 1 mN·m per hour",
        "act now: a limit may be reached within 2 h",
        "note: a limit may be reached within 72 h",
        "each by the 95 % interval of its course, so where nothing is so at most 1 course in 40 of a figure says it",
    ]


def test_a_slope_of_a_figure_that_nobody_follows_is_a_mistake_of_the_file_and_only_followed_ones_are_allowed(
    tmp_path: Path,
) -> None:
    written = "speed_rpm = 6.0 }}\n[fixture.trend.slope]\n{} = {{ per_hour = 0.001 }}"
    for name, what in (
        ("mean_torque_nm", "the course of mean_torque_nm is not followed"),
        ("frition_nm", "unknown figure"),
    ):
        path = write_bench(tmp_path, spoilt(RIG, "speed_rpm = 6.0 }", written.format(name)))
        with pytest.raises(ConfigError, match=what) as caught:
            load_rig(path, figures=FIGURES, followed=FOLLOWED)
        assert caught.value.where == f'{path}, [fixture.trend.slope] of fixture "pan-b2", {name}'
        assert caught.value.allowed == ", ".join(sorted(FOLLOWED))


def test_a_rate_that_cannot_be_kept_is_refused_by_file_and_key_before_anything_begins(tmp_path: Path) -> None:
    path = write_bench(tmp_path)
    rig = load_rig(path, ["bench.false_alarms_per_night=1e-12"])
    with pytest.raises(ConfigError, match="cannot be kept") as caught:
        check_rate(rig, str(path))
    assert caught.value.where == f"{path}, [bench], false_alarms_per_night"
    with pytest.raises(ConfigError) as served:
        asyncio.run(serve(path, rig, None, None))
    assert str(served.value) == str(caught.value)
    check_rate(load_rig(path), str(path))


def test_a_rate_that_cannot_be_kept_is_an_error() -> None:
    with pytest.raises(ConfigError, match="cannot be kept"):
        watch_outlook(rig_settings(), 1, 1e-12)
