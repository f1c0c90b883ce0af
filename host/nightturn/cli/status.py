"""`nightturn status`: what the fixtures of a running daemon do, and what they wait for."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData

EXAMPLE = "nightturn status"


def run(
    fixture: Annotated[
        str, typer.Argument(metavar="[FIXTURE]", help="One fixture; all of them when it is left out.")
    ] = "",
    *,
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Say what each fixture does, what it waits for and which command ends the wait, and what the course of its figures asks of you.

    Asks the daemon that runs on the data root; ends with 3 when none answers. Where none runs it prints what was recorded last, which
    says nothing of now. The words describe bookkeeping, not a state
    in which anybody may reach in: for that, isolate and lock the energy sources by local rules.
    """
    from nightturn.cli.asking import daemons_root, status

    status(daemons_root(bench, data), fixture, as_json=as_json)
