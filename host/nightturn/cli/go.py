"""`nightturn go`: let a fixture turn that waits for a person."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData, Operator, Running

EXAMPLE = 'nightturn go pan-a1 --unit Q-0117 --operator "R. Vale"'


def run(
    fixture: Running,
    *,
    unit: Annotated[
        str, typer.Option(help="The unit that is meant to turn; another one mounted is refused.")
    ],
    operator: Operator,
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Let the shaft turn: a named person says so, for one fixture and the unit that is mounted on it.

    A name is a record, not an authentication, and this permission is bookkeeping, not a safety function. Whether a machine may
    start is for qualified people and local codes.
    """
    from nightturn.cli.asking import command, daemons_root
    from nightturn.daemon.control_client import new_request
    from nightturn.daemon.control_protocol import GO

    request = new_request(GO, fixture, operator, unit=unit)
    command(daemons_root(bench, data), request, as_json=as_json)
