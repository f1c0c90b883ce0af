"""The table's cells, and what stands below it."""

from pathlib import Path

import pytest

from nightturn.bench.sinks import Tally
from nightturn.cli.demo_text import show
from nightturn.demo.night import Night
from nightturn.demo.scenario import write_scene
from nightturn.demo.summary import _pm
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow
from nightturn.settings.load import load_rig


@pytest.mark.parametrize(
    ("pair", "text"),
    [
        ((0.080912, 0.00031), "0.08091 ± 0.00031"),
        ((0.089103, 0.0000312), "0.089103 ± 0.000031"),
        ((0.119, 0.0137), "0.119 ± 0.014"),
        ((12.3, 1.04), "12.3 ± 1.0"),
        ((0.08, 0.0), "0.0800"),
        ((0.08, None), "0.0800"),
        (None, "-"),
    ],
)
def test_value_and_uncertainty_end_at_the_second_digit_of_the_uncertainty(
    pair: tuple[float, float | None] | None, text: str
) -> None:
    # JCGM 100:2008 (GUM), 7.2.6: uncertainty to at most two significant digits, the estimate rounded to match.
    assert _pm(pair) == text


def test_a_night_without_a_figure_says_why_motion_was_stopped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = write_scene(tmp_path, 1.0, 1)
    rig, tally = load_rig(bench), Tally()
    for detail in ("an earlier one", "the motion lease lapsed on the device"):
        tally.offer(rig.fixture[0].id, Emit("events", EventRow(0, 0, 0, "motion_stopped", "warning", detail)))
    tally.offer(rig.fixture[1].id, Emit("events", EventRow(0, 0, 0, "run_ended", "info", "by command")))
    runs = {settings.id: "run" for settings in rig.fixture}
    show("A night", Night(rig, tmp_path, tally, runs, "no broker", 0, 1.0, 5), bench, as_json=False)
    told = [line for line in capsys.readouterr().out.splitlines() if "motion was stopped" in line]
    assert told == ["  pan-a1: motion was stopped: the motion lease lapsed on the device"]
