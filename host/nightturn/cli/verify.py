"""`nightturn verify`: read a run back and say what is missing."""

from pathlib import Path
from typing import Annotated

import msgspec
import typer

from nightturn.cli.arguments import AsJson, Endpoint

EXAMPLE = "nightturn verify nights --run all"


def run(
    root: Annotated[
        str,
        typer.Argument(
            help="The data root: `data` in bench.toml; s3://BUCKET/PREFIX of `push`; or a pack of `export`."
        ),
    ],
    *,
    fixture: Annotated[str, typer.Option(help="Only this fixture.")] = "",
    run_id: Annotated[str, typer.Option("--run", help="Run id, latest (of each fixture) or all.")] = "latest",
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="First make the catalogue again from the files, which are the truth."),
    ] = False,
    endpoint: Endpoint = "",
    as_json: AsJson = False,
) -> None:
    """Read runs back with every checksum, and compare what is missing with the gap rows.

    Checks each Parquet file against the CRC in its name and its pages' own, the files of each chunk against the list that was
    written with it, the samples' order by epoch and index, every hole against the gap rows, sealed tape against the chunks made of it,
    tape that waits, manifest, mount cards, calibration records, the logbook with its photos and catalogue. Ends with 1 when something is damaged, or missing
    and not explained. What a version before wrote without a checksum is said to be not checked.

    Of an object store every object that `push` copied is read back and compared with its checksum and the run's lists; tape is not there.
    Ends with 3 when an object or a manifest is absent there as a whole, or the store cannot be reached or refuses.

    Of a pack, PACK.zip, every file is compared with its checksum, and samples and gaps with its manifest.
    """
    from nightturn.export.unpacked import is_pack

    if is_pack(root):
        _pack(root, as_json=as_json)
    else:
        _root(root, fixture, run_id, endpoint, rebuild=rebuild, as_json=as_json)


def _root(root: str, fixture: str, run_id: str, endpoint: str, *, rebuild: bool, as_json: bool) -> None:
    """A data root, or a place in an object store."""
    from nightturn.cli.output import print_json, print_text
    from nightturn.cli.verify_text import lines
    from nightturn.errors import ConfigError
    from nightturn.storage.catalogue import Catalogue
    from nightturn.storage.runs import known_runs
    from nightturn.storage.stored import stored_at
    from nightturn.storage.verify import verify

    place = stored_at(root, endpoint)
    if rebuild and place.local is None:
        raise ConfigError(
            "makes the catalogue of a data root again", where="--rebuild", allowed="only with a folder"
        )
    if rebuild and place.local is not None and known_runs(place):
        Catalogue(place.local).rebuild()
    report = verify(place, run_id, fixture or None)
    if as_json:
        print_json(
            {"ok": report.ok, "problems": report.problems, "unchecked": report.unchecked, "runs": report.runs}
        )
    else:
        for line in lines(report):
            print_text(line.lstrip(), line[: len(line) - len(line.lstrip())])
    if not report.ok:
        raise typer.Exit(3 if report.not_whole else 1)


def _pack(path: str, *, as_json: bool) -> None:
    """A pack instead of a data root."""
    from nightturn.cli.output import print_json, print_text
    from nightturn.export.unpacked import checked_pack, pack_lines

    report = checked_pack(Path(path))
    if as_json:
        print_json({"ok": report.ok, **msgspec.to_builtins(report)})
    else:
        for line in pack_lines(report):
            print_text(line.lstrip(), line[: len(line) - len(line.lstrip())])
    if not report.ok:
        raise typer.Exit(1)
