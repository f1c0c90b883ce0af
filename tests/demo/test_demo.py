"""The demo as a user runs it: a short night in real processes, its table, its files, its tape replayed."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.browsers import browser
from tests.report.rendering import SLIM_PX, graves, shown, too_wide

import nightturn

NIGHTTURN = Path(sys.executable).with_name("nightturn")
HOURS = "0.25"


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """A quarter of an hour of all three fixtures; the outages of pan-b1 fall inside."""
    out = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [NIGHTTURN, "demo", "--json", "--hours", HOURS, "--out", out],
        capture_output=True,
        text=True,
        check=True,
    )
    return out, json.loads(done.stdout)


def test_every_fixture_has_complete_cycles_with_figures_and_intervals(
    night: tuple[Path, dict[str, Any]],
) -> None:
    for line in night[1]["fixtures"]:
        assert line["cycles_complete"] >= 1
        for name in ("ripple_pp_nm", "cogging_pp_nm", "friction_nm"):
            value, half_width = line["figures"][name]
            assert value > 0
            assert 0 < half_width < 0.05 * value


def test_figures_agree_with_the_truth_written_beside_the_data(night: tuple[Path, dict[str, Any]]) -> None:
    root = Path(night[1]["data"])
    healthy = next(line for line in night[1]["fixtures"] if line["fixture"] == "pan-a1")
    truth = json.loads((root / "truth" / "pan-a1" / f"{healthy['run']}.json").read_text())

    assert truth["boots"] == 1
    assert truth["snapshots"][0]["coulomb_nm"] == pytest.approx(
        healthy["figures"]["friction_nm"][0], rel=0.25
    )


def test_the_life_of_a_unit_counts_its_strokes_and_says_when_nothing_can_be_judged_yet(
    night: tuple[Path, dict[str, Any]],
) -> None:
    root = Path(night[1]["data"])
    done = subprocess.run(
        [NIGHTTURN, "history", root, "--unit", "Q-0121", "--json"], capture_output=True, text=True, check=True
    )
    told = json.loads(done.stdout)
    run = nightturn.open_run(root, fixture="pan-a2")
    assert (len(told["nights"]), told["strokes"]) == (1, len(run.frame("strokes")))
    assert told["nights"][0]["cycles"] == len(run.cycles())
    assert {line["cycles"] for line in told["courses"]} == {0}
    line = next(line for line in night[1]["fixtures"] if line["fixture"] == "pan-a2")
    assert line["course"] == "whether it changes is not judged yet: too few cycles of a warm unit"
    rows = nightturn.history(root, unit="Q-0121")
    ripple = rows[rows["figure"] == "ripple_pp_nm"].sort_values("cycle_no")
    assert (
        ripple["value"].tolist()
        == run.cycles().query("ripple_pp_nm_status == 'ok' and status == 'ok'")["ripple_pp_nm"].tolist()
    )
    assert set(ripple["run"]) == {run.run}


def test_what_a_unit_carried_is_torque_by_range_and_the_temperature_of_every_place(
    night: tuple[Path, dict[str, Any]],
) -> None:
    root = Path(night[1]["data"])
    done = subprocess.run(
        [NIGHTTURN, "history", root, "--unit", "Q-0121", "--load", "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    told = json.loads(done.stdout)
    assert [len(line["runs"]) for line in told["loads"]] == [1]
    assert told["unknown"] == told["temperatures_unknown"] == []
    assert [line["role"] for line in told["temperatures"]] == [
        "ambient",
        "bearing",
        "bridge",
        "housing",
        "winding",
    ]
    rows = nightturn.open_run(root, fixture="pan-a2").frame("slow").query("channel == 'bearing'")
    bearing = told["temperatures"][1]
    assert (bearing["lowest_degc"], bearing["highest_degc"]) == pytest.approx(
        (rows["value"].min(), rows["value"].max()), abs=0.001
    )
    assert bearing["hours"] == pytest.approx(len(rows) * 10 / 3600)


def test_every_complete_cycle_has_its_three_curves(night: tuple[Path, dict[str, Any]]) -> None:
    run = nightturn.open_run(Path(night[1]["data"]), fixture="pan-a1")
    whole = run.cycles().query("status == 'ok'")["cycle_no"]
    legs = run.frame("curves").groupby("cycle_no")["leg"].agg(list)
    assert len(whole) > 0
    assert [legs[cycle] for cycle in whole] == [["forward", "back", "hold"]] * len(whole)


def test_an_unknown_unit_is_told_with_those_that_are_there(night: tuple[Path, dict[str, Any]]) -> None:
    done = subprocess.run(
        [NIGHTTURN, "history", night[1]["data"], "--unit", "Q-0122"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 4
    assert "has no run of unit" in done.stderr
    assert "Q-0117" in done.stderr


def test_outages_are_in_the_table_with_their_cause(night: tuple[Path, dict[str, Any]]) -> None:
    gaps = {line["fixture"]: line["gaps"] for line in night[1]["fixtures"]}

    assert gaps["pan-a1"] == {}
    assert sum(gap["count"] for gap in gaps["pan-b1"].values()) == 2
    assert sum(gap["seconds"] for gap in gaps["pan-b1"].values()) == pytest.approx(65, abs=10)


@pytest.mark.parametrize("fixture", ["pan-a1", "pan-a2", "pan-b1"])
def test_each_run_was_checked_by_its_shunt_at_the_start_and_at_the_end(
    night: tuple[Path, dict[str, Any]], fixture: str
) -> None:
    manifest = nightturn.open_run(night[1]["data"], fixture=fixture).manifest
    assert manifest is not None
    assert [(each.when, each.outcome) for each in manifest.shunt_checks] == [("start", "met"), ("end", "met")]
    assert [each.told for each in manifest.devices] == [True]
    events = nightturn.open_run(night[1]["data"], fixture=fixture).events()
    assert list(events["kind"]).count("shunt_check") == 2


def test_the_data_can_be_read_in_three_lines_of_pandas(night: tuple[Path, dict[str, Any]]) -> None:
    run = nightturn.open_run(night[1]["data"], fixture="pan-a1", run="latest")
    cycles = run.cycles()
    samples = run.samples(columns=["torque_nm", "angle_rad"])

    assert cycles["ripple_pp_nm"].notna().any()
    assert str(samples.index.dtype) == "datetime64[ns, UTC]"
    assert len(samples) == pytest.approx(float(HOURS) * 3600 * 1000, rel=0.01)


@pytest.mark.parametrize("fixture", ["pan-a1", "pan-a2", "pan-b1"])
def test_the_tape_of_the_night_replays_identical(night: tuple[Path, dict[str, Any]], fixture: str) -> None:
    done = subprocess.run(
        [NIGHTTURN, "replay", night[1]["data"], "--fixture", fixture],
        capture_output=True,
        text=True,
        check=False,
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert "identical" in done.stdout


def test_verify_finds_nothing_unexplained(night: tuple[Path, dict[str, Any]]) -> None:
    done = subprocess.run(
        [NIGHTTURN, "verify", night[1]["data"]], capture_output=True, text=True, check=False
    )

    assert (done.returncode, done.stderr) == (0, "")


def test_the_three_reports_are_readable_in_a_browser(night: tuple[Path, dict[str, Any]]) -> None:
    paths = [Path(each) for each in night[1]["reports"]]
    assert len(paths) == 3
    with browser() as opened:
        for path in paths:
            with shown(opened, path) as page:
                assert graves(page) == []
                assert too_wide(page, SLIM_PX) == 0.0
                assert page.inner_text("h1").startswith(("Q-0117 ", "Q-0121 ", "Q-0203 "))
