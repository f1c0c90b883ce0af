"""What the pages promise is held by tests that are there."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROMISES_MIN = 15


def promises() -> list[tuple[str, list[str]]]:
    """README's promises of a recording, each with the tests that hold it: a file, or a file and what its test is called."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    section = re.search(r"^## What is promised of a recording$(.*?)^## ", text, re.MULTILINE | re.DOTALL)
    assert section is not None
    rows = re.findall(r"^\| (?!promise|-)(.+?) \| (.+?) \|$", section[1], re.MULTILINE)
    return [(promise, re.findall(r"`([^`]+)`", held)) for promise, held in rows]


def test_each_promise_of_a_recording_names_tests_that_are_there() -> None:
    assert len(promises()) >= PROMISES_MIN
    for promise, held in promises():
        assert held, promise
        for name in held:
            assert Path(name).name.startswith("test_"), promise
            assert "def test_" in (ROOT / name).read_text(encoding="utf-8"), promise


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "replay_logs/README.md"])
def test_what_a_page_names_below_tests_is_there(page: str) -> None:
    named = set(
        re.findall(r"`(?:python )?(tests/[\w/]+(?:\.\w+)?)[ `]", (ROOT / page).read_text(encoding="utf-8"))
    )
    gone = sorted(name for name in named if not any((ROOT / f"{name}{end}").exists() for end in ("", ".py")))
    assert not gone, ", ".join(gone)
