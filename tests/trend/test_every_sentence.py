"""Every sentence on change, cause and life has a story that provokes it and one, of the same maker, that must not.

The sentences are taken from the source: every text in the modules that speak, found in its syntax tree, so that a new one without its stories is
seen. The rows of the table of causes have theirs in `tests/evidence/test_judge.py`, which holds them to the table in the same way.
"""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from tests.trend.sentence_stories import Said, stories

HOST = Path(__file__).resolve().parents[2] / "host" / "nightturn"
SPEAKERS = (
    "trend/wording.py",
    "trend/time_to_limit.py",
    "trend/conditions.py",
    "trend/causes.py",
    "trend/followed.py",
    "trend/following.py",
    "trend/cusum.py",
    "trend/run_length.py",
    "trend/damage.py",
    "trend/rolling.py",
    "evidence/wording.py",
    "unit_history/account.py",
    "unit_history/headline.py",
    "unit_history/life.py",
    "unit_history/rolling.py",
)
"""What is read of earlier nights has its stories in `tests/unit_history/test_earlier.py`."""
WORDS = re.compile(r"[a-z]{3,}.* |^ *[a-z]{3,}")
LETTERS_MIN = 6
"""A shorter piece is a joint, an end or a word of one of the others."""


def templates(module: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Each text of a module that people read, by its line, as the pieces between what is filled in."""
    tree = ast.parse((HOST / module).read_text(encoding="utf-8"))
    left_out = {id(each) for each in _silent(tree)}
    for node in ast.walk(tree):
        if id(node) in left_out:
            continue
        pieces = _pieces(node)
        longest = max(pieces, key=len, default="").strip()
        if len(longest) >= LETTERS_MIN and WORDS.search(longest) and any(" " in each for each in pieces):
            yield getattr(node, "lineno", 0), pieces


def _pieces(node: ast.AST) -> tuple[str, ...]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return tuple(node.value.split("{}"))
    if isinstance(node, ast.JoinedStr):
        texts = [each.value for each in node.values if isinstance(each, ast.Constant)]
        return tuple(piece for each in texts for piece in str(each).split("{}"))
    return ()


def _silent(tree: ast.AST) -> Iterator[ast.AST]:
    """Docstrings, the pieces of a text that is looked at as a whole, and what is raised as an error."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node.value
        elif isinstance(node, ast.JoinedStr):
            yield from node.values
        elif isinstance(node, ast.Raise):
            yield from ast.walk(node)


def in_order(pieces: tuple[str, ...]) -> re.Pattern[str]:
    """The pieces of a template with anything between."""
    return re.compile(".*".join(re.escape(each) for each in pieces), re.DOTALL)


@cache
def told() -> tuple[Said, ...]:
    return tuple(stories())


EVERY = [(module, line, pieces) for module in SPEAKERS for line, pieces in templates(module)]


def test_the_modules_that_speak_are_found_to_speak() -> None:
    assert len(EVERY) > 100
    assert {module for module, _, _ in EVERY} == {*SPEAKERS}


def test_every_sentence_has_a_story_that_provokes_it_and_one_that_does_not() -> None:
    """All in one test, so that it says of every sentence at once what it lacks."""
    lacking = []
    for module, line, pieces in EVERY:
        found, said = in_order(pieces), f"{module}:{line}: {'…'.join(pieces)!r}"
        makers = {maker for maker, text in told() if found.search(text)}
        if not makers:
            lacking.append(f"no story provokes {said}")
        elif not any(maker in makers and not found.search(text) for maker, text in told()):
            lacking.append(f"no story leaves unsaid {said}")
    assert not lacking, "\n".join(lacking)
