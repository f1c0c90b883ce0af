"""`nightturn users`: who may sign in on the page of a daemon."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData

EXAMPLE = 'nightturn users add "R. Vale" --role operator'


class What(StrEnum):
    """What is asked."""

    ADD = "add"
    REVOKE = "revoke"
    LIST = "list"


class As(StrEnum):
    """What a person may do."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    ADMIN = "admin"


def run(
    what: Annotated[What, typer.Argument(help="add, revoke or list.")],
    name: Annotated[str, typer.Argument(metavar="[NAME]", help="The person's name, as it is recorded.")] = "",
    *,
    role: Annotated[
        As,
        typer.Option(
            help="viewer: see; operator: also acknowledge, pause, stop; admin: also add and revoke people on the page."
        ),
    ] = As.VIEWER,
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Add a person, or set a forgotten password again; revoke one with every session; list all.

    `add` prints a code, good once and for a day, with which that person chooses a password on the page. There is no default
    password. What changes here holds at the next request of the page. Nobody who signs in there can let a shaft turn: that is `go`, at the rig.
    """
    from nightturn.cli import users_text
    from nightturn.cli.asking import daemons_root

    root = daemons_root(bench, data)
    if (
        what is What.ADD and data is None
    ):  # the rig file names it, and people are added before the first night
        root.mkdir(parents=True, exist_ok=True)
    users_text.done(root, what.value, name, role.value, as_json=as_json)
