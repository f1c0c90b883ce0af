"""`nightturn virtual`: one virtual fixture for others to talk to."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn virtual 'pan15?seed=7' --link pan-a1.line"


def run(
    spec: Annotated[
        str, typer.Argument(help="Product and options, in quotes: 'pan15?seed=7&fault=spall@5h'")
    ] = "pan15",
    *,
    link: Annotated[Path | None, typer.Option(help="Serve on a pty behind this link.")] = None,
    tcp: Annotated[str, typer.Option(help="Serve on this host:port instead.")] = "",
    as_json: AsJson = False,
) -> None:
    """Serve one virtual fixture in real time until Ctrl-C; it speaks the same wire as a real device.

    Prints the address that a rig file writes as `port`, as soon as somebody can talk to it. The signal USR1 opens its guard and USR2
    closes it, as a first `nightturn go` wants to have seen.
    """
    import asyncio
    import contextlib
    import json

    from nightturn.daemon.virtual_server import serve_pty, serve_tcp
    from nightturn.errors import ConfigError

    if (link is None) == (not tcp):
        allowed = "--link PATH or --tcp HOST:PORT"
        raise ConfigError("give one place to serve on", where="nightturn virtual", allowed=allowed)

    def ready(port: str) -> None:
        typer.echo(json.dumps({"port": port, "spec": spec}) if as_json else port)

    work = serve_pty(spec, link, ready) if link is not None else serve_tcp(spec, tcp, ready)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(work)
