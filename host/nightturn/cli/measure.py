"""`nightturn measure`: figures of a unit, now."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, BenchFile, Operator

EXAMPLE = 'nightturn measure bench.toml pan-a1 --unit Q-0117 --variant pan15 --operator "R. Vale" --until 1%'


def run(
    bench: BenchFile,
    fixture: Annotated[str, typer.Argument(help="The fixture's id.")],
    *,
    unit: Annotated[str, typer.Option(help="The unit's serial.")],
    variant: Annotated[str, typer.Option(help="The product: a file in variants/ beside the rig file.")],
    operator: Operator,
    figure: Annotated[
        list[str] | None,
        typer.Option(help="Only this one: ripple, cogging or friction; repeatable."),
    ] = None,
    until: Annotated[
        str, typer.Option(metavar="PER_CENT", help="The wanted ± (95 %) of each figure, of its value: 1%.")
    ] = "",
    cycles: Annotated[
        int | None, typer.Option(min=1, max=200, help="At most so many cycles: 2, or 20 with --until.")
    ] = None,
    warm: Annotated[bool, typer.Option("--warm", help="The warm-up of the rig file comes first.")] = False,
    travel_zero: Annotated[
        bool,
        typer.Option("--travel-zero", help="I have seen that the cable hangs free: travel counts from here."),
    ] = False,
    out: Annotated[Path | None, typer.Option(help="Where the picture goes; an SVG file.")] = None,
    as_json: AsJson = False,
) -> None:
    """Measure ripple, cogging and friction of a unit now: slow turns both ways and the hold of the rig file, no exercise.

    It writes a mount card, which opens a run of its own, and shows what a `go` shows. The shaft turns only after you have typed the unit's
    serial there; without a terminal it waits for `nightturn go` from another one. Guard, lamp, countdown, lease and limits are those of a
    night. Ctrl-C ends it at any moment: the drive goes off, the run ends.

    With --until cycles follow until every ± is reached, or shown to be out of reach. Where the daemon of the rig file runs, it measures, unless
    a run is open on the fixture; otherwise a daemon is started for this fixture alone and ends with this command. The run stays below the data
    root as any other; it accepts and rejects nothing.

    Exit code 1 where a figure has no value or a wanted ± was not reached.

    The motion lease is not a safety function. Nothing here isolates anything: before anybody reaches in, isolate and lock the energy sources
    by local rules.
    """
    from nightturn.cli.measure_text import Asked, measured

    wanted = Asked(unit, variant, operator, tuple(figure or ()), until, cycles, warm, travel_zero)
    if not measured(bench, fixture, wanted, out, as_json=as_json):
        raise typer.Exit(1)
