"""`nightturn runs`: which runs lie under a data root, and their state."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn runs nights"


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    as_json: AsJson = False,
) -> None:
    """List every run under a data root, the newest first."""
    from nightturn.cli.output import print_json, print_text
    from nightturn.storage.moments import local_text
    from nightturn.storage.runs import list_runs

    found = list_runs(root)
    if as_json:
        print_json(found)
        return
    if not found:
        typer.echo(f"{root} holds no runs")
        return
    for each in found:
        state = f"{each.state}, kept" if each.kept else each.state
        started = local_text(round(each.started_utc.timestamp()) * 10**9, each.timezone)
        typer.echo(f"{each.fixture}  {each.run}  {state}")
        print_text(f"unit {each.unit or '-'}, variant {each.variant or '-'}, started {started}", "  ")
        was = "was " if each.state == "interrupted" else ""
        motion = f"motion {was}{each.motion}, " if each.motion else ""
        print_text(f"{motion}{each.cycles} cycles, {each.samples} samples, {each.gaps} gaps", "  ")
