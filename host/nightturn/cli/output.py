"""What verbs print: JSON for machines, aligned text for people, a drawn table only on a terminal."""

import sys
from collections.abc import Sequence

import msgspec
import typer

NOT_REPORTED = "not reported"
"""For what a device does not send."""


def print_json(value: object) -> None:
    """One JSON document, indented; errors and paths as their text."""
    plain = msgspec.to_builtins(value, enc_hook=str)
    typer.echo(msgspec.json.format(msgspec.json.encode(plain), indent=2).decode())


def print_pairs(title: str, pairs: Sequence[tuple[str, str]]) -> None:
    """A title and rows of name and value."""
    print_table(title, ("", ""), pairs)


def print_table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A table; a terminal gets rules between head and body, a pipe gets columns parted by two spaces."""
    if sys.stdout.isatty():
        _draw(title, head, rows)
        return
    shown = [row for row in (head, *rows) if any(row)]
    widths = [max(len(cell) for cell in column) for column in zip(*shown, strict=True)]
    typer.echo(title)
    for row in shown:
        typer.echo(
            "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        )


def _draw(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, show_header=any(head), pad_edge=False)
    for name in head:
        table.add_column(name)
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console = Console()
    console.print(Text(title, style="bold"))
    console.print(table)
