"""`nightturn verify`: read a run back and say what is missing."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn verify nights --run all"


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    fixture: Annotated[str, typer.Option(help="Only this fixture.")] = "",
    run_id: Annotated[str, typer.Option("--run", help="Run id, latest (of each fixture) or all.")] = "latest",
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="First make the catalogue again from the files, which are the truth."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Read runs back with every checksum, and compare what is missing with the gap rows.

    Checks each Parquet file against the CRC in its name and its pages' own, the files of each chunk against the list that was
    written with it, the samples' order by epoch and index, every hole against the gap rows, sealed tape against the chunks made of it,
    tape that waits, manifest, mount cards, calibration records and catalogue. Ends with 1 when something is damaged, or missing
    and not explained. What a version before wrote without a checksum is said to be not checked.
    """
    from nightturn.cli.output import print_json, print_text
    from nightturn.cli.verify_text import lines
    from nightturn.storage.catalogue import Catalogue
    from nightturn.storage.runs import known_runs
    from nightturn.storage.verify import verify

    if rebuild and known_runs(root):
        Catalogue(root).rebuild()
    report = verify(root, run_id, fixture or None)
    if as_json:
        print_json(
            {"ok": report.ok, "problems": report.problems, "unchecked": report.unchecked, "runs": report.runs}
        )
    else:
        for line in lines(report):
            print_text(line.lstrip(), line[: len(line) - len(line.lstrip())])
    if not report.ok:
        raise typer.Exit(1)
