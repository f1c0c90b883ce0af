"""`nightturn reanalyse`: figures again from stored samples."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, Endpoint

EXAMPLE = "nightturn reanalyse nights --method standard"


Roots = Annotated[
    list[str],
    typer.Argument(
        metavar="ROOT...", help="Data roots: `data` in bench.toml; or s3://BUCKET/PREFIX of `push`."
    ),
]


def run(
    roots: Roots,
    *,
    method: Annotated[
        str, typer.Option(help="standard, or recalibrated: with the calibration that holds now.")
    ] = "standard",
    fixture: Annotated[str, typer.Option(help="Only this fixture.")] = "",
    run_id: Annotated[str, typer.Option("--run", help="Run id, latest or all.")] = "all",
    executor: Annotated[
        str, typer.Option(help="processes, dask, or tcp://HOST:PORT of a Dask scheduler.")
    ] = "processes",
    workers: Annotated[int, typer.Option(min=0, help="Processes; 0 takes one for each processor.")] = 0,
    out: Annotated[
        Path | None,
        typer.Option(help="A folder for the results, instead of the data root; needed with s3://."),
    ] = None,
    endpoint: Endpoint = "",
    as_json: AsJson = False,
) -> None:
    """Make the figures of stored runs again from samples and manifest; no tape is needed, nothing recorded is changed.

    Each run is a job of its own. The integer sums of every cycle are compared with the digest that was stored with it, and values of an
    unchanged method with the stored ones. Results lie in reanalysis/METHOD below the data root or --out; one that is there already, made of the same files by
    the same methods, is not made twice. Temperatures come from their rows every ten seconds. Ends with 1 when sums or values differ, with
    4 when a run cannot be read, with 3 when an object store has not the whole of it, cannot be reached or refuses.
    """
    from nightturn.cli.output import print_json, print_text
    from nightturn.reanalysis.campaign import carry_out_all, jobs_of, report
    from nightturn.reanalysis.methods import method_of
    from nightturn.reanalysis.wording import closing_line, lines_of
    from nightturn.reanalysis.workplaces import workplace

    jobs = jobs_of(roots, method_of(method).name, fixture, run_id, out=out, endpoint=endpoint)
    outcomes = []
    with workplace(executor, workers) as place:
        for outcome in carry_out_all(jobs, place):
            outcomes.append(outcome)
            for line in () if as_json else lines_of(outcome):
                print_text(line.lstrip(), line[: len(line) - len(line.lstrip())], hang="    ")
    found = report(outcomes, jobs)
    if as_json:
        print_json({"ok": found.ok, "runs": found.outcomes})
    else:
        print_text(closing_line(found))
    if not found.ok:
        raise typer.Exit(3 if found.not_whole else 4 if found.storage else 1)
