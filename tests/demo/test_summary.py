"""The table's cells, and what stands below it."""

from pathlib import Path

import pytest
from tests.cli.terminal import pairs, too_wide

from nightturn.bench.sinks import Tally
from nightturn.cli.demo_text import show
from nightturn.demo.night import Night
from nightturn.demo.scenario import write_scene
from nightturn.demo.summary import _figure_text
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow
from nightturn.settings.load import load_rig


@pytest.mark.parametrize(
    ("unit", "pair", "text"),
    [
        ("N·m", (0.080912, 0.00031), "80.91 ± 0.31 mN·m"),
        ("N·m", (0.089103, 0.0000312), "89.103 ± 0.031 mN·m"),
        ("%", (0.5394, 0.0037), "0.5394 ± 0.0037 %"),
        ("N·m", (12.3, 1.04), "12.3 ± 1.0 N·m"),
        ("N·m", (0.08, None), "80.00 mN·m, ± not known"),
        ("N·m", None, "none"),
    ],
)
def test_every_figure_has_its_uncertainty_and_both_one_unit(
    unit: str, pair: tuple[float, float | None] | None, text: str
) -> None:
    # JCGM 100:2008 (GUM), 7.2.6: uncertainty to at most two significant digits, the estimate rounded to match.
    assert _figure_text(unit, pair) == text


def test_a_night_without_a_figure_says_why_motion_was_stopped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = write_scene(tmp_path, 1.0, 1)
    rig, tally = load_rig(bench), Tally()
    for detail in ("an earlier one", "the motion lease lapsed on the device"):
        tally.offer(rig.fixture[0].id, Emit("events", EventRow(0, 0, 0, "motion_stopped", "warning", detail)))
    tally.offer(rig.fixture[1].id, Emit("events", EventRow(0, 0, 0, "run_ended", "info", "by command")))
    runs = {settings.id: "run" for settings in rig.fixture}
    show("A night", Night(rig, bench, tmp_path, tally, runs, "no broker", 0, 1.0, 5), bench, as_json=False)
    out = capsys.readouterr().out
    assert [value for name, value in pairs(out) if name == "motion stopped"] == [
        "the motion lease lapsed on the device"
    ]
    assert too_wide(out.partition("next:")[0]) == []
