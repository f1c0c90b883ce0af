"""`nightturn push`: runs that have ended, copied to an object store."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn push nights s3://quillfen/basement"


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    to: Annotated[str, typer.Argument(metavar="TO", help="s3://BUCKET/PREFIX.")],
    *,
    endpoint: Annotated[str, typer.Option(help="Another S3 server: http://HOST:PORT or https://HOST.")] = "",
    check: Annotated[bool, typer.Option("--check", help="Read back what was pushed before, too.")] = False,
    as_json: AsJson = False,
) -> None:
    """Copy every run that has ended to an object store; a push that broke off goes on where it was.

    Each file is read back and compared with the checksum in its name, and the manifest of a run goes last: a run without one there is
    not whole. What is there already is not sent again. Tape and results of `reanalyse` stay here; nothing is deleted. Credentials come
    from AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or the library's configuration files. Ends with 3 when the store cannot
    be reached or refuses, with 4 when a run here is damaged.
    """
    from nightturn.cli.output import print_json, print_text
    from nightturn.model.quantities import bytes_text
    from nightturn.storage.object_store import ObjectStore
    from nightturn.storage.push import push

    store = ObjectStore(to, endpoint)
    store.check_there()
    found = []
    for each in push(root, store, check=check):
        found.append(each)
        if as_json:
            continue
        amount = f"{each.files} files, {bytes_text(each.bytes)}, {each.sent} of them sent now"
        print_text(f"{each.fixture} {each.run}: {each.problem or each.skipped or amount}", hang="    ")
    if as_json:
        print_json({"ok": not any(each.problem for each in found), "runs": found})
    if any(each.problem for each in found):
        raise typer.Exit(4)
