"""What `nightturn demo` prints."""

import sys
from pathlib import Path
from types import TracebackType
from typing import Self

import typer

from nightturn.bench.sinks import Tally
from nightturn.cli.output import print_json, print_table
from nightturn.demo.night import Night
from nightturn.demo.summary import HEAD, FixtureLine, rows


class Progress:
    """A bar on a terminal, a line an hour elsewhere, nothing for machines."""

    def __init__(self, hours: float, *, quiet: bool) -> None:
        self._hours = hours
        self._quiet = quiet
        self._told = 0
        self._bar = None
        if not quiet and sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import Progress as Bar

            self._bar = Bar(console=Console(stderr=True))
            self._task = self._bar.add_task("the night", total=hours)

    def __enter__(self) -> Self:
        """Begin."""
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the bar down."""
        if self._bar is not None:
            self._bar.stop()

    def at(self, hour: float, tally: Tally) -> None:
        """The night has come to this hour."""
        if self._bar is not None:
            self._bar.update(self._task, completed=hour)
        elif not self._quiet and int(hour) > self._told:
            self._told = int(hour)
            cycles = sum(len(done) for done in tally.cycles.values())
            typer.echo(f"hour {self._told} of {self._hours:g}: {cycles} cycles")


def show(night: Night, table: list[FixtureLine], bench: Path, *, as_json: bool) -> None:
    """Print the table and what to type next."""
    if as_json:
        print_json(
            {
                "fixtures": table,
                "data": str(night.root),
                "real_s": round(night.real_s, 1),
                "samples": night.samples,
            }
        )
        return
    print_table("The night, figures of the last complete cycle with their 95 % intervals", HEAD, rows(table))
    for line in table:
        typer.echo(f"  {line.fixture}: {line.verdict}: {line.why}")
    speed = night.samples / max(night.real_s, 1e-9) / 1e6
    typer.echo(
        f"{night.samples / 1e6:.1f} million samples in {night.real_s:.0f} s ({speed:.1f} MS/s); {night.broker}; {night.published} messages published"
    )
    typer.echo(f"data: {night.root}")
    typer.echo("next:")
    for command in (
        f"check {bench}",
        f"runs {night.root}",
        f"verify {night.root}",
        f"replay {night.root} --fixture {table[0].fixture}",
    ):
        typer.echo(f"  nightturn {command}")
