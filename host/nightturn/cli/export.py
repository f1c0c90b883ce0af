"""`nightturn export`: samples for other programs, and a pack for a customer."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn export nights --fixture pan-a2 --from 03:10 --until 03:15 --as csv"

Kind = Annotated[str, typer.Option("--as", metavar="KIND", help="csv, parquet, mdf4, wav or pack.")]
Scale = Annotated[
    str, typer.Option(metavar="WHICH", help="`current`: by the record of now; `recorded`: as it was.")
]


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    run_id: Annotated[
        str, typer.Argument(metavar="[RUN]", help="A run by its id; else the newest.")
    ] = "latest",
    *,
    kind: Kind = "csv",
    unit: Annotated[str, typer.Option(metavar="SERIAL", help="Of this unit; its newest run.")] = "",
    fixture: Annotated[str, typer.Option(metavar="ID", help="Of this fixture.")] = "",
    begin: Annotated[
        str, typer.Option("--from", metavar="TIME", help="03:10 by the clocks of the bench, or with a date.")
    ] = "",
    end: Annotated[str, typer.Option("--until", metavar="TIME", help="The same; up to before then.")] = "",
    calibration: Scale = "current",
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Where the files go.")] = Path(
        "exports"
    ),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files of the same name.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write a stretch of a run in N·m and radian, UTC, with a readable guide of its columns and a list of its gaps beside it.

    csv and parquet are tables, mdf4 is a measurement file (extra `mdf`), wav is torque for the ear. A gap is never closed silently: it is a row, a
    segment, a silence. pack is one zip of a whole run for a customer: report, samples, guide, manifest and checksums, which `sha256sum -c` and
    `nightturn verify` check (extra `report`). A stretch without a sample ends with 4 and says why; nothing is written then.
    """
    from nightturn.cli.export_text import show_export
    from nightturn.export.asked import exported_as

    made = exported_as(
        root, run_id, kind=kind, unit=unit, fixture=fixture, begin=begin, end=end, calibration=calibration, folder=out,
        overwrite=overwrite,
    )  # fmt: skip
    show_export(made, as_json=as_json)
