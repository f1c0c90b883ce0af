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

    It first prints the unit, where its shaft is, guard and stop chain, what the permission clears, who gave the last one, and
    what will turn.

    Refused, with 1 and every reason, while guard or stop chain is open, the drive reports a fault, the travel is unknown, no device
    streams, the disk keeps nothing, or the shaft turns already. The first `go` of a card also wants to have seen the guard open and
    closed since the last run ended; that finds a contact that is stuck and cannot detect a jumper. It clears what had locked motion. When nothing is against it the warning lamp goes on, and
    the shaft turns after 5 s; after 15 s where the rig file says lamp = "none", or where motion goes on by itself. `stop` and `pause`
    prevent it. A permission that is not used lapses.

    By itself motion goes on only with after_restart = "resume", at most restarts_max times, after an outage that nobody wished and
    within one boot of the device; after a guard, a trip, a stall or a new boot it waits for `go`.

    This permission is bookkeeping, not a safety function; a name is a record, not an authentication. Lamp and countdown warn, they
    do not protect. `locked`, `paused` and `stop` isolate nothing: before anybody reaches in, isolate and lock the energy sources by
    local rules.
    Whether a machine may start unattended is for qualified people and local codes.
    """
    from nightturn.cli.asking import command, daemons_root, look
    from nightturn.daemon.control_client import new_request
    from nightturn.daemon.control_protocol import GO

    root = daemons_root(bench, data)
    if not as_json:
        look(root, fixture)
    command(root, new_request(GO, fixture, operator, unit=unit), as_json=as_json)
