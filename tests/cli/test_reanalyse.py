"""`reanalyse`: a line a run, JSON for machines, and an exit code for each way in which it ends."""

import json
from pathlib import Path

import pytest
from replay_logs.make import Recorded
from tests.cli.terminal import sentences, too_wide, typed
from tests.reanalysis.conftest import copied, troubled_once

from nightturn.storage.reader import Run

__all__ = ["troubled_once"]


@pytest.fixture
def made(troubled_once: Recorded, tmp_path: Path) -> Recorded:
    return copied(troubled_once, tmp_path / "nights")


def test_lines_json_and_exit_codes(made: Recorded, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["reanalyse", str(made.root), "--workers", "1"]
    code, out, err = typed(words, capsys)
    assert (code, err, too_wide(out)) == (0, "", [])
    assert sentences(out)[0].startswith(f"pan-a1 {made.run}: 4 cycles, sums of 4 equal to the stored ones; ")
    assert sentences(out)[-1] == "figures of 1 run are made again, beside the recorded ones"
    code, out, _ = typed([*words, "--json"], capsys)
    found = json.loads(out)
    assert (code, found["ok"], found["runs"][0]["already"]) == (0, True, True)
    assert found["runs"][0]["sums_equal"] == 4
    code, _, err = typed([*words, "--method", "standart"], capsys)
    assert (code, 'did you mean "standard"' in err) == (2, True)
    code, _, err = typed([*words, "--executor", "ray"], capsys)
    assert (code, "--executor" in err) == (2, True)
    code, _, err = typed(["reanalyse", str(made.root / "raw")], capsys)
    assert (code, "contains no runs" in err) == (4, True)


def test_sums_that_differ_end_with_1_and_a_run_that_cannot_be_read_with_4(
    made: Recorded, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["reanalyse", str(made.root), "--workers", "1"]
    chunks = Run(made.root, made.fixture, made.run).chunks("raw")
    (made.root / chunks[1].path).unlink()
    code, out, _ = typed(words, capsys)
    assert (code, sentences(out)[-1]) == (1, "1 of 1 runs is not in order")
    assert any(line.startswith("differs: cycle 1") for line in map(str.strip, out.splitlines()))
    (made.root / chunks[2].path).write_bytes(b"PAR1")
    code, out, _ = typed([*words, "--method", "recalibrated"], capsys)
    assert code == 4
    assert chunks[2].path in "".join(sentences(out))
