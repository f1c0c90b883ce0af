"""`nightturn note`: the logbook of a bench."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData

EXAMPLE = 'nightturn note "outer race pitted at 2 o\'clock" --unit Q-0121 --finding bearing --photo race.jpg --operator "R. Vale"'

Photos = Annotated[
    list[Path] | None, typer.Option(metavar="FILE", help="A PNG, JPEG or WebP picture. Repeatable.")
]
Finding = Annotated[
    str,
    typer.Option(metavar="CAUSE", help="What a tear-down found: a cause of the table, `other` or `nothing`."),
]
Intervention = Annotated[
    str,
    typer.Option(metavar="CAUSE", help="What was done, and for which cause; `other` for none of the table."),
]


def run(
    text: Annotated[str, typer.Argument(metavar="[TEXT]", help="What you have seen or done.")] = "",
    *,
    operator: Annotated[str, typer.Option(help="Your name; it is recorded.")] = "",
    unit: Annotated[str, typer.Option(metavar="SERIAL", help="Of this unit; its newest run.")] = "",
    fixture: Annotated[str, typer.Option(metavar="ID", help="Of this fixture; its newest run.")] = "",
    run_id: Annotated[str, typer.Option("--run", metavar="RUN", help="Of this run.")] = "",
    at: Annotated[
        str, typer.Option(metavar="TIME", help="03:12 by the clocks of the bench, or with a date.")
    ] = "",
    cycle: Annotated[int | None, typer.Option(metavar="N", help="Of this cycle of the run.")] = None,
    angle: Annotated[
        float | None, typer.Option(metavar="DEG", help="On the turn, from the index mark.")
    ] = None,
    photo: Photos = None,
    finding: Finding = "",
    intervention: Intervention = "",
    to_answer: Annotated[bool, typer.Option("--open", help="Somebody is to answer.")] = False,
    close: Annotated[int | None, typer.Option(metavar="N", help="Answer line N, or withdraw it.")] = None,
    show: Annotated[
        bool, typer.Option("--list", help="Show the logbook, of the unit, fixture or run given.")
    ] = False,
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Add a line to the logbook, with what it is of: a unit, a run, a time, a cycle, a place on the turn; or show it with --list.

    A line is never changed; --close answers one or withdraws a finding. Photos are stored as pictures only: location and whatever else stood
    in the file is left out. A finding or an intervention keeps what the unit's nights were consistent with when it was written, and
    `history` counts hits and misses by that. On the disk before this ends, in logbook/ below the data root. Nothing turns or stops.
    """
    from nightturn.bench.worlds import RealClock
    from nightturn.cli.asking import daemons_root
    from nightturn.cli.note_text import show_entries
    from nightturn.shift.listed import listed
    from nightturn.shift.meant import Asked
    from nightturn.shift.noting import Wanted, noted

    root = daemons_root(bench, data)
    asked = Asked(fixture=fixture, unit=unit, run=run_id, at=at, cycle_no=cycle, angle_deg=angle)
    if show:
        show_entries(root, listed(root, asked, to_answer=to_answer), as_json=as_json)
        return
    wanted = Wanted(
        text=text, by=operator, asked=asked, finding=finding, intervention=intervention, photos=tuple(photo or ()),
        open=to_answer, close=close,
    )  # fmt: skip
    entry = noted(root, wanted, RealClock().utc_ns())
    show_entries(root, listed(root, Asked(), number=entry.number), as_json=as_json)
