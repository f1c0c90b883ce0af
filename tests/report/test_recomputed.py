"""A report and a comparison show recorded figures, or those that `recompute` made, and say which."""

from pathlib import Path

import msgspec
import pytest
from tests.cli.terminal import typed
from tests.report.test_document import Page

from nightturn.estimation.figures import FIGURES
from nightturn.report.document import document
from nightturn.report.night import night_of
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs


def said(page: str) -> str:
    return " ".join(" ".join(Page(page).words).split())


def test_both_show_the_method_that_was_asked_for_and_say_it(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    summary = list_runs(root)[0]
    assert typed(["recompute", str(root), summary.run], capsys).code in (0, 1)
    run = Run(root, summary.fixture, summary.run)
    again, recorded = night_of(run, summary, "standard"), night_of(run, summary)
    assert again.verdict == recorded.verdict  # the same samples by the same methods
    for name in FIGURES:
        assert again.values(name) == pytest.approx(recorded.values(name), rel=1e-6, nan_ok=True), name
    text = said(document(again).html)
    assert "Figures made again by method standard, not as recorded." in text
    assert "what changed and what it is consistent with is said of the recorded ones" in text
    assert "not as recorded" not in said(document(recorded).html)

    asked = ["report", str(root), summary.run, "--method", "standard", "--out", str(tmp_path), "--json"]
    outcome = typed(asked, capsys)
    (made,) = msgspec.json.decode(outcome.out)
    assert made["path"].endswith(f"{summary.run}-standard.html")
    assert outcome.code == (1 if made["verdict"] == "reject" else 0)

    asked = ["compare", str(root), summary.run, summary.run, "--json"]
    plain = msgspec.json.decode(typed(asked, capsys).out)
    found = msgspec.json.decode(typed([*asked, "--method", "standard"], capsys).out)
    assert found["one"].endswith("figures made again by method standard")
    assert "made again" not in plain["one"]
    for one, other in zip(found["figures"], plain["figures"], strict=True):
        for key in ("one", "one_half", "difference_half"):
            assert one[key] == pytest.approx(other[key], rel=1e-6), one["figure"]


def test_a_method_without_a_result_names_those_that_have_one(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["report", str(root), "--method", "standard", "--out", str(tmp_path)]
    outcome = typed(asked, capsys)
    assert outcome.code == 4
    assert "has no re-analysis 'standard'; `nightturn reanalyse` makes it" in outcome.err
    assert not list(tmp_path.glob("*.html"))
