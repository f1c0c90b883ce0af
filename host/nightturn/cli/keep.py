"""`nightturn keep`: a run that retention leaves alone."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData

EXAMPLE = 'nightturn keep 20261125T213000Z-4f1c --operator "R. Vale" --reason "complaint 26-118"'


def run(
    run_id: Annotated[
        str, typer.Argument(metavar="RUN", help="A run by its id; `nightturn runs` lists them.")
    ],
    *,
    operator: Annotated[str, typer.Option(help="Your name; it is recorded.")],
    reason: Annotated[str, typer.Option(help="Why; it is recorded.")],
    release: Annotated[bool, typer.Option("--release", help="Let retention have the run again.")] = False,
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Exempt a run from retention: nothing of it is deleted, however old or large, until it is released.

    It may be under way. Nothing turns or stops because of it. Name and reason are kept in retention/log.jsonl below the
    data root, on the disk before this ends.
    """
    from nightturn.bench.worlds import RealClock
    from nightturn.cli.asking import daemons_root
    from nightturn.cli.output import print_json, print_text
    from nightturn.storage.marking import keep

    now_ns = RealClock().utc_ns()
    marks = keep(daemons_root(bench, data), run_id, now_ns, operator, reason, release=release)
    if as_json:
        print_json(marks)
        return
    for mark in marks:
        print_text(f"{mark.fixture}  {mark.run}  {mark.what} by {mark.by}: {mark.reason}")
