"""Terminal at three widths, pipe, NO_COLOR and --json are as committed, and README shows what its commands print.

After a change of texts: python -m tests.screens --update, then read the difference.
"""

import re
from pathlib import Path

import pytest
from tests.screens import LONG, SNAPSHOTS, UNTESTED, examples, plain, run_example, screens

EXAMPLES = [(command, shown) for command, shown in examples() if command not in UNTESTED]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("screens")


@pytest.fixture(scope="module")
def seen(folder: Path) -> dict[str, str]:
    """Every screen, from one short demo; the folder then holds it and the example of a rig."""
    return dict(screens(folder))


def test_every_screen_is_as_committed(seen: dict[str, str]) -> None:
    committed = {path.stem: path.read_text(encoding="utf-8") for path in SNAPSHOTS.glob("*.txt")}
    assert seen.keys() == committed.keys()
    for name, text in seen.items():
        assert text == committed[name], name


def test_no_screen_is_wider_than_its_terminal(seen: dict[str, str]) -> None:
    """A problem is one line where no terminal is, for logs that keep lines."""
    for name, text in seen.items():
        for part in re.split(r"^== ", text, flags=re.MULTILINE)[1:]:
            medium, _, lines = part.partition("\n")
            if medium == "--json":
                continue
            columns = int((re.findall(r"\d+", medium) or ["80"])[0])
            bare = re.sub(r"\\e\[[\d;]*m", "", lines).splitlines()
            if medium == "pipe":
                bare = [line for line in bare if not line.startswith("nightturn: ")]
            assert [line for line in bare if len(line) > columns and " " in line.strip()] == [], name


def test_without_colours_there_are_none_and_in_a_pipe_no_escapes(seen: dict[str, str]) -> None:
    for name, text in seen.items():
        parts = dict(part.split("\n", 1) for part in re.split(r"^== ", text, flags=re.MULTILINE)[1:])
        assert "\\e" not in parts["pipe"], name
        assert re.findall(r"\\e\[(?:\d+;)*[34]\d", parts["terminal, 80 columns, NO_COLOR"]) == [], name


@pytest.mark.usefixtures("seen")
@pytest.mark.parametrize(
    ("command", "shown"), [each for each in EXAMPLES if not LONG.search(each[0])], ids=lambda text: text[:40]
)
def test_readme_shows_what_a_command_prints(command: str, shown: str, folder: Path) -> None:
    assert plain(run_example(command, folder)) == plain(shown)


@pytest.mark.long
def test_readme_shows_what_the_whole_night_prints(tmp_path: Path) -> None:
    for command, shown in [each for each in EXAMPLES if LONG.search(each[0])]:
        assert plain(run_example(command, tmp_path)) == plain(shown), command
