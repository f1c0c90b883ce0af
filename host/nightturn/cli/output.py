"""What verbs print: JSON for machines, aligned text of at most 80 columns for people, a drawn table only on a terminal."""

import sys
import textwrap
from collections.abc import Sequence

import msgspec
import typer

COLUMNS = 80
VALUE_COLUMNS_MIN = 24
HANG = "  "
"""In front of every line of a sentence behind its first, where sentences follow one another."""
NOT_REPORTED = "not reported"
"""For what a device does not send."""


def print_json(value: object) -> None:
    """One JSON document, indented; errors and paths as their text."""
    plain = msgspec.to_builtins(value, enc_hook=str)
    typer.echo(msgspec.json.format(msgspec.json.encode(plain), indent=2).decode())


def print_text(text: str, indent: str = "", *, hang: str = "") -> None:
    """A sentence, broken between words where it is longer than a line; a path or an id is never broken.

    `hang` comes behind the indent of every line but the first.
    """
    for line in broken(text, COLUMNS - len(indent), hang):
        typer.echo(f"{indent}{line}")


def print_verdict(text: str) -> None:
    """The last line: broken on a terminal, whole for a pipe, where somebody may read nothing but the last line."""
    if sys.stdout.isatty():
        print_text(text, hang=HANG)
    else:
        typer.echo(text)


def print_problem(text: str) -> None:
    """What went wrong, in the program's name on stderr: broken on a terminal, one line elsewhere, where logs keep lines."""
    line = f"nightturn: {text}"
    for part in broken(line, COLUMNS, HANG) if sys.stderr.isatty() else [line]:
        typer.echo(part, err=True)


def broken(text: str, columns: int, hang: str = "") -> list[str]:
    """A text in lines of so many columns; a longer word, such as a path, has a line of its own."""
    lines = textwrap.wrap(
        text, columns, subsequent_indent=hang, break_long_words=False, break_on_hyphens=False
    )
    return lines or [""]


def print_pairs(title: str, pairs: Sequence[tuple[str, str]]) -> None:
    """A title and rows of name and value."""
    print_table(title, ("", ""), pairs)


def print_table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A table whose last column is broken between words where the line ends.

    A terminal gets rules between head and body, a pipe gets columns parted by two spaces.
    """
    if sys.stdout.isatty():
        _draw(title, head, rows)
        return
    shown = [row for row in (head, *rows) if any(row)]
    widths = [max(len(cell) for cell in column) for column in zip(*shown, strict=True)]
    last = max(VALUE_COLUMNS_MIN, COLUMNS - 2 * len(widths) - sum(widths[:-1]))
    print_text(title, hang=HANG)
    for *cells, value in shown:
        left = "".join(f"{cell.ljust(width)}  " for cell, width in zip(cells, widths[:-1], strict=True))
        for line in broken(value, last):
            typer.echo(f"  {left}{line}".rstrip())
            left = " " * len(left)


def _draw(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, show_header=any(head), pad_edge=False)
    for name in head[:-1]:
        table.add_column(name, no_wrap=True)
    table.add_column(head[-1])
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console = Console()
    console.print(Text(title, style="bold"))
    console.print(table)
