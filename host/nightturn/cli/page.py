"""`nightturn page`: a data root as a page in a browser, without a daemon."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn page nights"


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    listen: Annotated[
        str, typer.Option(metavar="HOST:PORT", help="A loopback address; port 0 takes a free one.")
    ] = "127.0.0.1:8742",
    as_json: AsJson = False,
) -> None:
    """Show a data root in a browser: a wall of all fixtures, and a page for each run with its pictures.

    Works without a daemon, and beside one: what it shows is what is on the disk, read again when it changes. It listens on a loopback
    address only, because it asks nobody who they are. Ctrl-C ends it. Nothing can be moved from it.
    """
    from nightturn.cli.output import print_json, print_text
    from nightturn.errors import RunNotFoundError
    from nightturn.web.child import check_packages
    from nightturn.web.listening import address_of, listening_socket
    from nightturn.web.serving import serve_page

    if not root.is_dir():
        raise RunNotFoundError(f"{root} is not a folder; give the data root (`data` in bench.toml)")
    check_packages()
    address = address_of(listen)
    listener = listening_socket(address)
    url = address.url(listener.getsockname()[1])
    if as_json:
        print_json({"root": str(root), "url": url})
    else:
        print_text(f"the page of {root}: {url} (Ctrl-C ends it)")
    serve_page(root, address, listener)
