"""`nightturn alarms`: what needs a person, and that a person knows."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData

EXAMPLE = 'nightturn alarms pan-a1 --acknowledge --operator "R. Vale"'


Fixture = Annotated[
    str, typer.Argument(metavar="[FIXTURE]", help="One fixture, or host; all when it is left out.")
]
Alarm = Annotated[str, typer.Argument(metavar="[ALARM]", help="One alarm by its id, as the list shows it.")]
Known = Annotated[bool, typer.Option("--acknowledge", help="You know of it, or of all of the fixture.")]
Aside = Annotated[
    float | None,
    typer.Option(
        "--set-aside", metavar="HOURS", help="It calls nobody for so long, 12 at most; with --reason."
    ),
]
Out = Annotated[
    bool,
    typer.Option(
        "--out-of-service", help="It, or the fixture, calls nobody until --put-back; with --reason."
    ),
]
Back = Annotated[bool, typer.Option("--put-back", help="End what was set aside or out of service.")]
Verify = Annotated[bool, typer.Option("--verify", help="Check every line of the log and replay it.")]
Name = Annotated[str, typer.Option(help="Your name; it is recorded in the log.")]
Reason = Annotated[str, typer.Option(help="The reason; it is recorded in the log.")]


def run(
    fixture: Fixture = "",
    alarm: Alarm = "",
    *,
    acknowledge: Known = False,
    set_aside_h: Aside = None,
    out_of_service: Out = False,
    put_back: Back = False,
    verify: Verify = False,
    operator: Name = "",
    reason: Reason = "",
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """List the alarms that are open, the most urgent first: what happened, since when, what to do, and who knows.

    Without a daemon it lists what was said last, which says nothing of now. Acknowledging says that you know, and changes nothing at
    the rig: nothing turns, stops or becomes safe by it. With --verify it ends with 1 where the log is not whole.
    """
    from nightturn.cli import alarms_text
    from nightturn.cli.asking import command, daemons_root
    from nightturn.settings.load import zone_named

    root = daemons_root(bench, data)
    request = alarms_text.request_of(
        fixture,
        alarm,
        operator,
        reason,
        acknowledge=acknowledge,
        set_aside_h=set_aside_h,
        out_of_service=out_of_service,
        put_back=put_back,
    )
    if request is not None:
        command(root, request, as_json=as_json)
    elif verify:
        alarms_text.verify(root, as_json=as_json)
    else:
        alarms_text.show(root, fixture, alarm, zone_named(bench), as_json=as_json)
