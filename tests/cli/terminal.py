"""Runs the command line in this process."""

from collections.abc import Sequence
from typing import NamedTuple

import pytest

from nightturn.cli import main


class Outcome(NamedTuple):
    """What a command left behind."""

    code: int
    out: str
    err: str


def typed(arguments: Sequence[str], capsys: pytest.CaptureFixture[str]) -> Outcome:
    """What `nightturn ARGUMENTS` prints, and its exit code."""
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    printed = capsys.readouterr()
    code = ended.value.code
    assert isinstance(code, int)
    return Outcome(code, printed.out, printed.err)
