"""The maker of the tapes: the same seeds give the same bytes."""

from pathlib import Path

import pytest
from replay_logs.make import main, record
from tests.replay.scenes import BRIEF, quiet

from nightturn.storage.segment import unpack


def test_what_is_made_again_is_the_same_to_the_last_byte(brief: Path, tmp_path: Path) -> None:
    with quiet():
        again = record(BRIEF, tmp_path).segments[0]
    assert again.name == brief.name
    assert unpack(again.read_bytes()) == (brief.read_bytes(), 0)


def test_a_name_that_is_none_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["helthy", "--into", str(tmp_path)])
    assert "no tape helthy" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
