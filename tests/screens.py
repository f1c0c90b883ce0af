"""What commands print, as snapshots and in README: `python -m tests.screens --update [--long]` makes both anew.

One short demo feeds all of it. What differs from run to run is named in `RANDOM` and compared as one word, and numbers
for machines are compared to `DIGITS`; everything else has to be as committed, byte for byte.
"""

import argparse
import contextlib
import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from unittest import mock

from rich.console import Console
from tests.cli.played_commands import acts as played_acts
from tests.cli.played_commands import typed
from tests.daemon.speaking import BEGUN_NS, cycle, state
from typing_extensions import override

from nightturn.daemon.picture import Picture
from nightturn.daemon.terminal import table

ROOT = Path(__file__).resolve().parent.parent
SNAPSHOTS = ROOT / "tests" / "cli" / "snapshots"
README = ROOT / "README.md"
NIGHT = "nightturn-demo/nights"
HOURS = 0.25

RANDOM: tuple[tuple[str, str], ...] = (
    (r"\d{8}T\d{6}Z(?=-[0-9a-f]{4})", "20261125T210000Z"),  # when a run began
    (r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d", "2026-11-25 21:00:00"),
    (r"\d{4}-\d\d-\d\d \d\d:\d\d(?!:)", "2026-11-25 21:00"),
    (r"\d\d:\d\d(\s+)to(\s+)\d\d:\d\d(?=[;,)])", r"21:00\1to\g<2>21:00"),  # when something changed
    (r"\d{4}-\d\d-\d\dT[\d:.]+(Z|\+00:00)", "2026-11-25T21:00:00Z"),
    (r"\b1[78]\d{17}\b", "1"),  # ns since 1970
    (r"(hour \d+ of \d+: )\d+ cycles", r"\g<1>1 cycles"),  # which of three processes came how far
    (r"(?<![.\d])\d+ s\s\(\d+\.\d MS/s\)", "1 s (1.0 MS/s)"),  # how fast this computer is
    (r"\d+\.\d\d(\s+)s(\s+)\(\d+\.\d(\s+)MS/s\)", r"1.00\1s\2(1.0\3MS/s)"),
    (
        r"127\.0\.0\.1:\d+;\s\d+\smessages\spublished",
        "127.0.0.1:1;\n1 messages published",
    ),  # its line breaks here or there
    (r'"id": "[0-9a-f]{16}"', '"id": "1"'),
    (r"\(\d[\d.]* MB\)", "(1 MB)"),  # compressed times differ
    (r'("(real_s|bytes)": )[\d.]+', r"\g<1>1"),
    (r'("seconds": )\d+\.\d{4,}', r"\g<1>1"),  # of a replay; those of a plan have fewer digits
    (r"(received +|all )\d+ samples( in [\d.]+ s)?", r"\g<1>1 samples"),  # until the pattern was ended
)
LONG_NUMBER = re.compile(r"\b\d+\.\d{8,}(?:e-\d+)?")
DIGITS = 6  # a number's last ones depend on the order in which a machine's libraries add
LONG = re.compile(r"nightturn demo$|nightturn history ")
"""What wants the whole night."""
CODE = re.compile(r"^```python\n((?:(?!^```).)*?)^```\n\n```\n(.*?)^```", re.MULTILINE | re.DOTALL)
NUMBER = re.compile(r"\d+\.?\d*")
ROUNDING = 0.05
UNTESTED = {"tests/run": "it runs this test"}


def plain(text: str) -> str:
    """The text with what is random made alike."""
    for pattern, one in RANDOM:
        text = re.sub(pattern, one, text)
    return LONG_NUMBER.sub(lambda found: f"{float(found[0]):.{DIGITS}g}", text)


class _Out(io.StringIO):
    """Stands in for standard output: a terminal, or none."""

    def __init__(self, *, terminal: bool) -> None:
        super().__init__()
        self._terminal = terminal

    @override
    def isatty(self) -> bool:
        return self._terminal


def printed(columns: int | None, act: Callable[[], object], **environment: str) -> str:
    """What an act prints on a terminal of so many columns, or into a pipe; escapes are shown, and how it ended."""
    out = _Out(terminal=columns is not None)
    values = {"TERM": "xterm", "COLUMNS": str(columns or 80), "LINES": "40", **environment}
    clean = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "FORCE_COLOR"}}
    with (
        mock.patch.dict(os.environ, {**clean, **values}, clear=True),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(out),
    ):
        try:
            act()
        except SystemExit as ended:
            if ended.code:
                out.write(f"(ends with {ended.code})\n")
    return "\n".join(line.rstrip() for line in out.getvalue().replace("\x1b", "\\e").split("\n"))


def drawn() -> None:
    """The table of `serve`, of three fixtures."""
    wait = "nothing turns: the guard is open; waits for `nightturn go pan-a2 --unit Q-0121 --operator NAME`"
    pictures = [
        Picture("pan-a1").opened(190.0).seen(state()).seen(cycle()),
        Picture("pan-a2").opened(190.0).seen(state("locked", waits_for=wait, unit="Q-0121")),
        Picture("pan-b1").waits("no unit is mounted; `nightturn mount` of a unit on pan-b1 opens a run"),
    ]
    now = datetime.fromtimestamp(BEGUN_NS / 1e9, UTC)
    console = Console()
    console.print(table(pictures, now, 40))
    console.print(table(pictures, now, 10))


COMMANDS: dict[str, tuple[str, ...]] = {
    "runs": ("runs", NIGHT),
    "runs_run": ("runs", NIGHT, "latest"),
    "check": ("check", "bench.toml"),
    "status": ("status", "--data", NIGHT),
    "status_fixture": ("status", "pan-b1", "--data", NIGHT),
    "verify": ("verify", NIGHT),
}


def screens(folder: Path) -> Iterator[tuple[str, str]]:
    """Each snapshot by its name, from a demo that is recorded in a folder."""
    from nightturn.cli import demo_text
    from nightturn.demo.night import run_night
    from nightturn.demo.scenario import write_scene

    with contextlib.chdir(folder):
        for name in ("bench.toml", "variants/pan15.toml"):
            for place in (Path(name), Path("rig") / name):
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_text((ROOT / "examples" / name).read_text(encoding="utf-8"), encoding="utf-8")
        shutil.copytree(ROOT / "examples" / "captures", Path("examples/captures"))
        bench = write_scene(Path("nightturn-demo"), HOURS, 11)
        recorded = run_night(bench, HOURS, 11, lambda _hour, _tally: None)

        def shown(*, as_json: bool = False) -> Callable[[], object]:
            return lambda: demo_text.show("The night", recorded, bench, as_json=as_json)

        acts: dict[str, tuple[Callable[[], object], Callable[[], object] | None]] = {
            name: (typed(*words), typed(*words, "--json")) for name, words in COMMANDS.items()
        }
        acts.update(played_acts(NIGHT))
        acts["demo"] = (shown(), shown(as_json=True))
        acts["serve_table"] = (drawn, None)
        for name, (act, as_json) in acts.items():
            parts = {
                "pipe": printed(None, act),
                **{f"terminal, {columns} columns": printed(columns, act) for columns in (80, 100, 200)},
                "terminal, 80 columns, NO_COLOR": printed(80, act, NO_COLOR="1"),
                **({"--json": printed(None, as_json)} if as_json is not None else {}),
            }
            yield name, plain("\n".join(f"== {medium}\n{text}" for medium, text in parts.items()))


def examples() -> Iterator[tuple[str, str]]:
    """README's commands with what it shows of them, in their order; `$` begins a command in a fenced block."""
    for block in re.findall(
        r"^```\n(\$ .*?)^```", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    ):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, shown = part.partition("\n")
            yield command, shown


def run_example(command: str, folder: Path) -> str:
    """What a command of README prints in a folder; the installation in front of it is left out."""
    bare = command.rpartition("&& ")[2].removeprefix(".venv/bin/")
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", bare],
        cwd=folder,
        env={**os.environ, "PATH": path},
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    return done.stdout


def code_examples() -> list[tuple[str, str]]:
    """README's blocks of Python that are followed by what they print, and that."""
    return CODE.findall(README.read_text(encoding="utf-8"))


def run_code(code: str) -> str:
    """What a block of README prints."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(code, README.name, "exec"), {})
    return out.getvalue()


def same_but_for_rounding(one: str, other: str) -> bool:
    """The same words, and numbers that differ by no more than the second digit of an interval may on another machine."""
    if NUMBER.sub("#", one) != NUMBER.sub("#", other):
        return False
    pairs = zip(NUMBER.findall(one), NUMBER.findall(other), strict=True)
    return all(abs(float(a) - float(b)) <= ROUNDING * abs(float(b)) for a, b in pairs)


def renew(folder: Path, *, long: bool) -> None:
    """Write every snapshot and README's outputs; what differs in random parts only stays as it is."""
    SNAPSHOTS.mkdir(exist_ok=True)
    for name, text in screens(folder):
        (SNAPSHOTS / f"{name}.txt").write_text(text, encoding="utf-8")
    text = README.read_text(encoding="utf-8")
    whole = folder / "whole"
    whole.mkdir()
    for command, shown in list(examples()):
        of_night = LONG.search(command) is not None
        if command in UNTESTED or (of_night and not long):
            continue
        found = run_example(command, whole if of_night else folder)
        if plain(found) != plain(shown):
            text = text.replace(f"$ {command}\n{shown}", f"$ {command}\n{found}")
    for code, shown in code_examples():
        found = run_code(code)
        if not same_but_for_rounding(found, shown):
            text = text.replace(f"{code}```\n\n```\n{shown}", f"{code}```\n\n```\n{found}")
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--update", action="store_true", required=True, help="write what is committed anew")
    parser.add_argument("--long", action="store_true", help="also README's whole night, two minutes")
    with tempfile.TemporaryDirectory() as made:
        renew(Path(made), long=parser.parse_args().long)
