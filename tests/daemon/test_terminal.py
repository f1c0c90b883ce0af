"""`serve` on a terminal: the table that is drawn, and a real daemon behind a pty."""

import io
import os
import pty
import signal
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rich.console import Console
from tests.daemon.processes import NIGHTTURN, mount, write_bench
from tests.daemon.speaking import BEGUN_NS, cycle, state
from tests.waiting import wait

from nightturn.daemon.picture import Picture
from nightturn.daemon.terminal import table
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import FAILED, UNRECORDED, StandingRow

NOW = datetime.fromtimestamp(BEGUN_NS / 1e9, UTC)
SO_FAR = NightVerdict("undecided", ("friction_nm: 120 judged cycles are needed",), cycles=11, planned=150)
GO = "nothing turns: the guard is open; waits for `nightturn go pan-a2 --unit Q-0121 --operator NAME`"


def drawn(pictures: list[Picture], width: int = 80, height: int = 40) -> str:
    """As a terminal without colours shows it."""
    console = Console(file=io.StringIO(), width=width, force_terminal=True, color_system=None)
    console.print(table(pictures, NOW, height))
    text = console.file.getvalue()  # type: ignore[attr-defined]  # a StringIO by the line above
    assert isinstance(text, str)
    return "\n".join(line.rstrip() for line in text.replace("\x1b[1m", "").split("\n"))


def pictures() -> list[Picture]:
    """One that turns, one that waits, one without a unit."""
    return [
        Picture("pan-a1").opened(190.0).seen(state(night_verdict=SO_FAR)).seen(cycle()),
        Picture("pan-a2").opened(190.0).seen(state("locked", waits_for=GO, unit="Q-0121")),
        Picture("pan-b1").waits("no unit is mounted"),
    ]


@pytest.mark.parametrize("width", [80, 100, 200])
def test_no_line_is_longer_than_the_terminal_is_wide(width: int) -> None:
    for height in (8, 40):
        assert all(len(line) <= width for line in drawn(pictures(), width, height).splitlines())


def test_a_block_says_state_cycle_figures_wait_and_expected_end() -> None:
    text = drawn(pictures(), 200)
    assert "turning, slow turn" in text
    assert "12 of 150" in text
    assert "11, accept: ripple 80.97 ± 0.45 mN·m, cogging 69.25 ± 0.73 mN·m, friction 89.10" in text
    assert GO in text
    assert "undecided so far" in text
    assert "no unit is mounted" in text
    end = datetime.fromtimestamp(BEGUN_NS / 1e9 + 139 * 190.0, UTC)
    assert f"{end:%Y-%m-%d %H:%M} +00:00, without a pause" in text


def test_what_does_not_turn_has_no_expected_end() -> None:
    assert "ends about" not in drawn(pictures()[1:])


@pytest.mark.parametrize("word", [FAILED, UNRECORDED])
def test_where_no_core_speaks_any_more_the_state_that_it_told_last_is_not_shown(word: str) -> None:
    before = Picture("pan-a1").opened(60.0).seen(state(state="turning"))
    after = before.seen(StandingRow(ts=BEGUN_NS, state=word, run="", reason="the disk is full"))
    assert "turning" in drawn([before])
    text = drawn([after])
    assert "turning" not in text
    assert f"{word}: the disk is full" in text
    assert "turning" in drawn([after.seen(state(state="turning"))])


def test_more_fixtures_than_fit_have_a_line_each() -> None:
    lines = drawn(pictures() * 4, height=20).splitlines()
    assert len([line for line in lines if line.startswith("pan-a1")]) == 4
    assert "12/150" in lines[1]
    assert len(lines) < 20


class Terminal:
    """A daemon whose output is a terminal."""

    def __init__(self, folder: Path, bench: Path, environment: dict[str, str]) -> None:
        self.pid, self._terminal = pty.fork()
        if self.pid == 0:  # the child, and nothing but this
            os.chdir(folder)
            os.environ.update(environment)
            os.execv(sys.executable, [*NIGHTTURN, "serve", str(bench)])
        os.set_blocking(self._terminal, False)
        self.text = ""

    def shows(self, words: str) -> bool:
        """Whether it has shown that by now."""
        try:
            self.text += os.read(self._terminal, 1 << 20).decode(errors="replace")
        except BlockingIOError:
            pass
        except OSError:  # the other side is closed
            return True
        return words in self.text

    def end(self) -> int:
        os.kill(self.pid, signal.SIGTERM)
        wait(lambda: self.shows("no such words"), lambda: self.text)
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


@pytest.mark.parametrize("environment", [{"TERM": "xterm-256color"}, {"TERM": "xterm", "NO_COLOR": "1"}])
def test_a_terminal_has_the_table_and_the_sentences_and_its_cursor_back(
    tmp_path: Path, environment: dict[str, str]
) -> None:
    bench = write_bench(
        tmp_path, {"pan-a1": "virtual:pan15?seed=7&fault=guard@2s+1s", "pan-a2": "virtual:pan15?seed=8"}
    )
    mount(tmp_path, "pan-a1")
    serve = Terminal(tmp_path, bench, environment)
    wait(lambda: serve.shows("pan-a1 with Q-0117"), lambda: serve.text)
    wait(lambda: serve.shows("no unit is mounted"), lambda: serve.text)
    wait(lambda: serve.shows("ALARM: "), lambda: serve.text)

    assert serve.end() == 0, serve.text

    assert "stored: run " in serve.text
    assert serve.text.rindex("\x1b[?25h") > serve.text.rindex("\x1b[?25l")
    coloured = "\x1b[1;31m" in serve.text
    assert coloured == ("NO_COLOR" not in environment), serve.text
    assert '"event"' not in serve.text
