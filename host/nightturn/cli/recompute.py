"""`nightturn recompute`: the figures of one run again, by today's methods or under another calibration."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn recompute nights 20261125T213000Z-4f1c --method recalibrated"


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    run_id: Annotated[str, typer.Argument(metavar="RUN", help="A run by its id, or latest.")],
    *,
    method: Annotated[
        str, typer.Option(help="standard, or recalibrated: with the calibration that holds now.")
    ] = "standard",
    fixture: Annotated[str, typer.Option(help="Only this fixture, where several share the id.")] = "",
    as_json: AsJson = False,
) -> None:
    """Make the figures of one run again from its samples, beside the recorded ones in reanalysis/METHOD, never over them.

    The same job, output and exit codes as `reanalyse`, which does it for months. `run.cycles(reanalysis="METHOD")` reads the result; `report` and
    `compare` show what was recorded, with --method METHOD the result, and say which.
    """
    from nightturn.cli.reanalyse import run as reanalyse

    reanalyse([str(root)], method=method, fixture=fixture, run_id=run_id, workers=1, as_json=as_json)
