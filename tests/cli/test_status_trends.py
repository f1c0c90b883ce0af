"""`status` names what the course of figures asks of people, the most urgent first, and nothing where nothing is asked."""

from pathlib import Path

import pytest
from tests.cli.terminal import sentences

from nightturn.cli import asking
from nightturn.daemon.control_protocol import VERSION, Answer, Request
from nightturn.model.trends import Notice

RISES = "friction, turning positive, rises since 2026-11-28 02:47 +00:00"
STEEP = "ripple, turning negative, changes by 0.80 ± 0.10 mN·m per hour, more than 0.5 mN·m"


@pytest.mark.parametrize("trends", [True, False])
def test_a_change_stands_in_the_status_with_how_urgent_it_is(
    trends: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    asked = (
        Notice("friction_nm", 1, "change", "act now", 0, RISES),
        Notice("ripple_pp_nm", -1, "slope", "note", 0, STEEP),
    )

    def ask(_root: Path, request: Request) -> Answer:
        found = asked if trends else ()
        return Answer(VERSION, request.id, ok=True, state="turning: cycle 12", trends=found)

    monkeypatch.setattr(asking, "ask", ask)
    asking.status(tmp_path, "pan-a1", as_json=False)
    said = " ".join(" ".join(sentences(capsys.readouterr().out)).split())
    assert (f"act now {RISES}" in said) == trends
    assert (f"note {STEEP}" in said) == trends
    assert "turning: cycle 12" in said
