"""`nightturn history`: the life of a unit over its nights."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn history nights --unit Q-0121"


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    unit: Annotated[str, typer.Option("--unit", metavar="SERIAL", help="The unit's serial.")],
    false_alarms: Annotated[
        float,
        typer.Option(
            "--false-alarms",
            metavar="RATE",
            help="Expected a night over all figures of the unit, for the watch.",
        ),
    ] = 0.05,
    load: Annotated[
        bool, typer.Option("--load", help="What the shaft has carried instead, from all stored samples.")
    ] = False,
    sn: Annotated[
        str,
        typer.Option(
            "--sn",
            metavar="N0,S0,M",
            help="With --load: an S-N line, cycles N0 at a range of S0 N·m, slope M.",
        ),
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Show the life of a unit over runs, fixtures and rigs: strokes, what moved and since when, limits ahead, what it is consistent with.

    A remount, another transducer, calibration or plan is a known step: what is before it is not compared with what follows as if it were wear. Figures
    are judged behind the last step, where the unit has warmed up. A change has a 90 % set of times; a slope and a level have 95 % intervals, which
    know how alike neighbouring cycles are. With 95 % a limit is not reached before the strokes given, and nothing is said beyond three times what was seen.
    """
    from nightturn.cli import history_text
    from nightturn.cli.output import print_json, print_pairs, print_table, print_text
    from nightturn.unit_history.account import account_of

    found = account_of(root, unit, false_alarms)
    if as_json:
        print_json(found)
        return
    for line in history_text.head(found):
        print_text(line, hang="  ")
    print_table("nights", history_text.NIGHTS, history_text.night_rows(found))
    if found.steps:
        print_pairs("known steps", history_text.step_rows(found))
    for title, rows in history_text.course_tables(found):
        print_pairs(title, rows)
    if found.watch:
        print_text(f"watch: {found.watch}", hang="  ")
    if found.causes:
        print_pairs("consistent with", [("", text) for text in found.causes])
