"""The table's cells, and what stands below it."""

from pathlib import Path

import pytest
from tests.cli.terminal import pairs, too_wide

from nightturn.bench.sinks import Tally
from nightturn.cli.demo_text import show
from nightturn.demo.night import Night
from nightturn.demo.scenario import CYCLE_S, write_scene
from nightturn.demo.summary import _figure_text
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow
from nightturn.outlook.plan import outlook
from nightturn.settings.load import load_rig, load_variant
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, write_manifest


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


def test_the_demos_plan_is_as_long_as_its_night(tmp_path: Path) -> None:
    """Else the share of judged cycles, which a verdict needs, would be that of a plan that nobody waits for."""
    for hours in (0.05, 0.25, 8.0):
        for settings in load_rig(write_scene(tmp_path, hours, 1)).fixture:
            ahead = outlook(settings, load_variant(tmp_path, "pan15"))
            assert ahead.cycle_s == pytest.approx(CYCLE_S, abs=0.1)
            assert settings.plan.cycles == max(1, int(hours * 3600 / ahead.cycle_s))


def test_the_verdict_is_the_manifests(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = write_scene(tmp_path, 1.0, 1)
    rig, tally = load_rig(bench), Tally()
    runs = {settings.id: f"20261125T210000Z-000{number}" for number, settings in enumerate(rig.fixture)}
    said = NightVerdict("reject", ("cycles 6 to 65 each reject",))
    first = rig.fixture[0].id
    (tmp_path / "runs" / first).mkdir(parents=True)
    write_manifest(
        RealFiles(tmp_path), Manifest(fixture=first, run=runs[first], started_utc_ns=0, night_verdict=said)
    )
    show("A night", Night(rig, bench, tmp_path, tally, runs, "no broker", 0, 1.0, 5), bench, as_json=False)
    found = pairs(capsys.readouterr().out)
    assert [value for name, value in found if name == "verdict"] == ["reject", "none", "none"]
    assert ("because", "cycles 6 to 65 each reject") in found


def test_a_night_without_a_figure_says_why_motion_was_stopped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # the root is printed, and how long its path is must not decide
    root = Path("night")
    root.mkdir()
    bench = write_scene(root, 1.0, 1)
    rig, tally = load_rig(bench), Tally()
    for detail in ("an earlier one", "the motion lease lapsed on the device"):
        tally.offer(rig.fixture[0].id, Emit("events", EventRow(0, 0, 0, "motion_stopped", "warning", detail)))
    tally.offer(rig.fixture[1].id, Emit("events", EventRow(0, 0, 0, "run_ended", "info", "by command")))
    runs = {settings.id: "20261125T210000Z-0a1b" for settings in rig.fixture}
    show("A night", Night(rig, bench, root, tally, runs, "no broker", 0, 1.0, 5), bench, as_json=False)
    out = capsys.readouterr().out
    assert [value for name, value in pairs(out) if name == "motion stopped"] == [
        "the motion lease lapsed on the device"
    ]
    assert too_wide(out.partition("next:")[0]) == []
