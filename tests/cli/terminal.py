"""Runs the command line in this process."""

import re
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


def pairs(out: str) -> list[tuple[str, str]]:
    """The rows of name and value of what was printed for a pipe, each value in one line again."""
    found: list[tuple[str, str]] = []
    for line in out.splitlines():
        if row := re.fullmatch(r" {2}(\S.*?)(?: {2,}(.*))?", line):
            found.append((row[1], row[2] or ""))
        elif line.startswith("   ") and found:
            name, value = found.pop()
            found.append((name, f"{value} {line.strip()}".lstrip()))
    return found


def too_wide(out: str, columns: int = 80) -> list[str]:
    """Lines that do not fit and could have been broken between words."""
    return [line for line in out.splitlines() if len(line) > columns and " " in line.strip()]


def sentences(out: str) -> list[str]:
    """What was printed line under line, each sentence in one line again: those that go on are indented."""
    return re.sub(r"\n +", " ", out).splitlines()
