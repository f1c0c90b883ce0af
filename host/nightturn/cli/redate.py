"""`nightturn redate`: a run whose clock was wrong."""

import math
from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData

EXAMPLE = 'nightturn redate 20261125T213000Z-4f1c --by 3600 --operator "R. Vale" --reason "the host was an hour late"'


def run(
    run_id: Annotated[
        str, typer.Argument(metavar="RUN", help="A run by its id; `nightturn runs` lists them.")
    ],
    *,
    by: Annotated[
        float,
        typer.Option("--by", metavar="SECONDS", help="Add so many seconds to its recorded times; 0: none."),
    ],
    operator: Annotated[str, typer.Option(help="Your name; it is recorded.")],
    reason: Annotated[str, typer.Option(help="How you know; it is recorded.")],
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Record that the wall clock of a run was wrong; nothing that was recorded is rewritten, and the run keeps its id.

    From then on `runs`, `verify` and the Python readers add SECONDS to its times and say so, by whom and why. Said again, it
    replaces what was said before. The Parquet files themselves, the tape and what was published keep the recorded times, and
    retention goes by those. Nothing turns or stops. On the disk before this ends.
    """
    from nightturn.bench.worlds import RealClock
    from nightturn.cli.asking import daemons_root
    from nightturn.cli.output import print_json, print_text
    from nightturn.errors import ConfigError
    from nightturn.storage.marking import SECONDS_MAX, redate
    from nightturn.storage.redating import redated_text

    if not math.isfinite(by) or abs(by) > SECONDS_MAX:
        raise ConfigError(
            f"{by} is no correction of a clock", where="--by", allowed="seconds, up to a century"
        )
    now_ns = RealClock().utc_ns()
    marks = redate(daemons_root(bench, data), run_id, now_ns, operator, reason, by)
    if as_json:
        print_json(marks)
        return
    for mark in marks:
        print_text(f"{mark.fixture}  {mark.run}  {redated_text(mark)}")
