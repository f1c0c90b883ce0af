"""What `nightturn export` says to a person."""

import typer

from nightturn.cli.output import HANG, print_json, print_text
from nightturn.export.asked import Made
from nightturn.export.pieces import gaps_text
from nightturn.storage.zones import local_text


def show_export(made: Made, *, as_json: bool) -> None:
    """What was written, of what, and what of it is missing."""
    if as_json:
        print_json(made)
        return
    found = made.exported
    begin, end = (local_text(each, found.timezone) for each in (found.first_ts, found.last_ts))
    missing = gaps_text(found.missing, found.gaps)
    print_text(f"{found.fixture} {found.run}, {found.unit}: {found.samples} samples, {missing}", hang=HANG)
    print_text(f"from {begin} to {end}; times in the files are UTC", HANG)
    for remark in found.remarks:
        print_text(f"not whole: {remark}", HANG)
    for name in found.files:
        typer.echo(f"  {found.folder}/{name}")
    if made.sums_sha256:
        said = f"SHA-256 of its SHA256SUMS, to be sent by another way: {made.sums_sha256}"
        print_text(said, HANG, hang=HANG)
