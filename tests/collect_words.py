"""Every sentence and message of the product, collected from its source: `python tests/collect_words.py --update`.

A text is a literal of at least two words (one beside something filled in) that is no docstring, query, pattern or type; what
is filled in is shown by its expression. Docstrings count where they are printed: the help of a command. A name in a
table that people read counts with one word too.
"""

import argparse
import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LIST = ROOT / "tests" / "words.md"
SOURCES = ("host/nightturn", "protocol/nightturn_protocol")
COMMANDS = "host/nightturn/cli/"
TABLES = re.compile(r"host/nightturn/(cli/\w+|demo/summary)\.py")
WORDS = re.compile(r"[^\W\d_]{2,}")
NO_PROSE = re.compile(
    r"^(select|insert|create|delete|pragma) |\\[(dSs]|\| None$|Json\]|^datetime64", re.IGNORECASE
)
"""Queries to the database, patterns and types."""
FILLED_CHARS_MAX = 40
HEAD = """\
# The words of the product

Every sentence and message that people can read, collected from the source by `python tests/collect_words.py --update`; `{}` is
filled in. A test compares. Read what a change adds: plain trade English, every number with its unit, what to do about it.
"""


def texts_of(name: str, source: str) -> list[str]:
    """The texts of one module, each once, in the order of the alphabet."""
    tree = ast.parse(source)
    found: set[str] = set()
    skipped = set(_docstrings(tree)) | set(_parts(tree))
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant | ast.JoinedStr) and node not in skipped:
            text = _text(node)
            own, needed = re.sub(r"\{.*?\}", "", text), 1 if isinstance(node, ast.JoinedStr) else 2
            if len(WORDS.findall(own)) >= needed and " " in text.strip() and not NO_PROSE.search(text):
                found.add(text)
        elif isinstance(node, ast.Tuple) and TABLES.fullmatch(name):
            found |= set(_titles(node))
        elif isinstance(node, ast.FunctionDef) and node.name == "run" and name.startswith(COMMANDS):
            found.add(" ".join((ast.get_docstring(node) or "").split()))
    return sorted(found)


def collected() -> str:
    """The whole list."""
    parts = [HEAD]
    for top in SOURCES:
        for path in sorted((ROOT / top).rglob("*.py")):
            name = path.relative_to(ROOT).as_posix()
            texts = texts_of(name, path.read_text(encoding="utf-8"))
            if texts:
                parts.append(f"\n## `{name}`\n\n" + "".join(f"- {text}\n" for text in texts))
    return "".join(parts)


def _docstrings(tree: ast.AST) -> Iterator[ast.AST]:
    """Constants that stand as a statement: docstrings, also those of attributes."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node.value


def _parts(tree: ast.AST) -> Iterator[ast.AST]:
    """The pieces of f-strings, which are shown with the whole; what is filled in may hold a text of its own."""
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield from (part for part in node.values if isinstance(part, ast.Constant))
            for part in node.values:
                if isinstance(part, ast.FormattedValue) and part.format_spec is not None:
                    yield part.format_spec


def _text(node: ast.Constant | ast.JoinedStr) -> str:
    if isinstance(node, ast.Constant):
        text = node.value if isinstance(node.value, str) else ""
    else:
        text = "".join(
            f"{{{_filled(part.value)}}}" if isinstance(part, ast.FormattedValue) else str(part.value)
            for part in node.values
            if isinstance(part, ast.FormattedValue | ast.Constant)
        )
    return " ".join(text.split())


def _filled(expression: ast.expr) -> str:
    """What is filled in, by its expression when that is short enough to say something."""
    source = ast.unparse(expression)
    return source if len(source) <= FILLED_CHARS_MAX else "…"


def _titles(node: ast.Tuple) -> Iterator[str]:
    first = node.elts[0] if node.elts else None
    if (
        len(node.elts) == 2
        and isinstance(first, ast.Constant)
        and isinstance(first.value, str)
        and first.value
    ):
        yield first.value


def main() -> int:
    """Compare the list with the source, or write it anew; 1 when they differ."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--update", action="store_true", help="write the list anew")
    if parser.parse_args().update:
        LIST.write_text(collected(), encoding="utf-8")
        return 0
    return int(LIST.read_text(encoding="utf-8") != collected())


if __name__ == "__main__":
    raise SystemExit(main())
