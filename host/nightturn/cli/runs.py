"""`nightturn runs`: which runs lie under a data root, and how they stand."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn runs nights"
HEAD = ("fixture", "run", "unit", "variant", "started", "state", "motion", "cycles", "samples", "gaps")


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    as_json: AsJson = False,
) -> None:
    """List every run under a data root, the newest first."""
    from nightturn.cli.output import print_json, print_table
    from nightturn.storage.moments import local_text
    from nightturn.storage.runs import list_runs

    found = list_runs(root)
    if as_json:
        print_json(found)
        return
    if not found:
        typer.echo(f"{root} holds no runs")
        return
    rows = [
        (
            each.fixture,
            each.run,
            each.unit or "-",
            each.variant or "-",
            local_text(round(each.started_utc.timestamp()) * 10**9, each.timezone),
            f"{each.state}, kept" if each.kept else each.state,
            f"was {each.motion}" if each.motion and each.state == "interrupted" else each.motion or "-",
            str(each.cycles),
            str(each.samples),
            str(each.gaps),
        )
        for each in found
    ]
    print_table(f"runs under {root}", HEAD, rows)
