"""`nightturn page`: a data root, or the fixtures of every host at a broker, as a page in a browser, without a daemon."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn page nights"


def run(
    root: Annotated[Path | None, typer.Argument(help="The data root: `data` in bench.toml.")] = None,
    *,
    mqtt: Annotated[
        str | None,
        typer.Option(
            metavar="URL", help="mqtt:// or mqtts:// with a reader's name; the fixtures of every host there."
        ),
    ] = None,
    cafile: Annotated[
        Path | None, typer.Option(metavar="PEM", help="The authority to trust, beside --mqtt.")
    ] = None,
    timezone: Annotated[
        str, typer.Option(metavar="NAME", help="Whose clocks are shown, beside --mqtt: Europe/Vienna.")
    ] = "UTC",
    listen: Annotated[
        str, typer.Option(metavar="HOST:PORT", help="A loopback address; port 0 takes a free one.")
    ] = "127.0.0.1:8742",
    as_json: AsJson = False,
) -> None:
    """Show a data root in a browser: a wall of all fixtures, and a page for each run with its pictures.

    Works without a daemon, and beside one: what it shows is what is on the disk, read again when it changes. With --mqtt it shows what
    every host at a broker says, and its password is in NIGHTTURN_MQTT_PASSWORD. It listens on a loopback address only, because it asks
    nobody who they are. Ctrl-C ends it. Nothing can be moved from it.
    """
    from nightturn.cli.output import print_json, print_text
    from nightturn.errors import ConfigError
    from nightturn.web.child import check_packages
    from nightturn.web.listening import address_of, listening_socket
    from nightturn.web.starting import of_broker, of_root

    if (root is None) == (mqtt is None):
        raise ConfigError("it shows one of two", where="nightturn page", allowed="a data root, or --mqtt URL")
    serve = of_root(root) if root is not None else of_broker(mqtt or "", cafile, timezone)
    check_packages()
    address = address_of(listen)
    listener = listening_socket(address)
    url = address.url(listener.getsockname()[1])
    if as_json:
        print_json({**serve.what, "url": url})
    else:
        print_text(f"the page of {serve.name}: {url} (Ctrl-C ends it)")
    serve(address, listener)
