"""`nightturn replay`: a recorded tape through the same core again."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn replay replay_logs/healthy.ntj"
HANG = "    "
"""Deeper than the differences below the line."""


def run(
    log: Annotated[Path, typer.Argument(help="A tape (*.ntj), a folder of its segments, or a data root.")],
    *,
    fixture: Annotated[str, typer.Option(help="The fixture, when LOG is a data root.")] = "",
    run_id: Annotated[str, typer.Option("--run", help="Run id, or latest.")] = "latest",
    figures: Annotated[bool, typer.Option("--figures", help="Sums and figures only: the fast form.")] = False,
    tile: Annotated[int, typer.Option(min=0, help="Another tile size than live, samples.")] = 0,
    split: Annotated[
        list[int] | None,
        typer.Option(min=0, help="Hand over to another core before this record. Repeatable."),
    ] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Store what was seen as the expectation.")] = False,
    made_by: Annotated[str, typer.Option(help="With --accept: the command that made the tape.")] = "",
    as_json: AsJson = False,
) -> None:
    """Feed a tape to the core and say `identical`, or show every difference.

    Every effect is compared with the checksums that the live station put on the tape, and cycles, gaps, events and
    strokes with the expectation beside the tape, or with what the run stored. Figures must be equal to the last bit, or
    within 10⁻⁹ when they were made under another numeric fingerprint; the line says which comparison held. A damaged tape is replayed up to the
    damage. Ends with 1 when anything differs or is damaged.
    """
    from nightturn.cli.output import print_json, print_text
    from nightturn.replay.verdict import Options, replay_log

    options = Options(figures, tile or None, split or (), accept, made_by)
    outcome = replay_log(log, fixture, run_id, options)
    if as_json:
        print_json(outcome)
    else:
        for line in outcome.lines():
            text = line.lstrip()
            print_text(text, line[: len(line) - len(text)], hang=HANG)
    if not outcome.identical:
        raise typer.Exit(1)
