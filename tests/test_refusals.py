"""Every sentence that takes a figure its status, refuses arrays or explains a verdict is held by a test with its words."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from tests.collect_words import texts_of

ROOT = Path(__file__).resolve().parent.parent
ESTIMATION = (
    "assembly", "band", "channel", "cycle_verdict", "cycles", "draft", "figure_drafts", "filter_remarks", "finish", "friction",
    "friction_drafts", "friction_speed", "gates", "measured", "night_verdict", "purpose", "remarks", "rig_net",
)  # fmt: skip
CALIBRATE = ("lever", "rig")
ARRAYS = ("arrays", "grids", "options", "passes", "plausible", "smooth_cycles", "smoothness", "stamps")
MODULES = tuple(
    f"host/nightturn/{room}/{name}.py"
    for room, names in (("calibrate", CALIBRATE), ("estimation", ESTIMATION), ("replay", ARRAYS))
    for name in names
)
SENTENCE = 5
"""Words from which on a text is a sentence and no name of a line or a phase."""
RUN = 6
"""Words in a row that nothing is filled into: so many of a sentence stand in a test, or its longest run where that is shorter."""
FILLED = "\N{REPLACEMENT CHARACTER}"
NO_REFUSAL = {
    "half-sum of the slow passes",
    "what varies behind the peak and is no noise",
    "an order beside {line.nearest} that does not repeat",
}
"""Sources of lines of a budget."""


@pytest.mark.parametrize("module", MODULES)
def test_every_sentence_of_a_refusal_stands_in_a_test(module: str) -> None:
    texts = texts_of(module, (ROOT / module).read_text(encoding="utf-8"))
    said = [text for text in texts if len(text.split()) >= SENTENCE and text not in NO_REFUSAL]
    assert [text for text in said if not _is_held(text)] == []


def test_a_sentence_that_no_test_has_would_be_found() -> None:
    assert not _is_held(f"Nobody ever wrote {{this}} of a {'purple'} gearbox")
    assert _is_held("Nobody ever wrote {this} but {that}")


@cache
def _in_tests() -> str:
    """The literals of all tests, words parted by single spaces."""
    found = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found += [" ".join(text.replace("\\", "").split()) for text in _literals(tree)]
    return "\n".join(found)


def _literals(tree: ast.AST) -> Iterator[str]:
    """Texts of a module with a mark for what is filled in; docstrings are none."""
    skipped = {node.value for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = (part.value if isinstance(part, ast.Constant) else FILLED for part in node.values)
            yield "".join(str(part) for part in parts)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in skipped:
            yield node.value


def _is_held(text: str) -> bool:
    runs = [run.split() for run in re.split(r"\S*\{.*?\}\S*", text)]
    longest = max(runs, key=len)
    size = min(RUN, len(longest))
    return any(
        " ".join(run[at : at + size]) in _in_tests()
        for run in runs
        if len(run) >= size
        for at in range(len(run) - size + 1)
    )
