"""`nightturn mount`: who put which unit on a fixture."""

from typing import Annotated, Literal

import typer

from nightturn.cli.arguments import AsJson, BenchFile

EXAMPLE = 'nightturn mount bench.toml pan-a1 --unit Q-0117 --variant pan15 --operator "R. Vale" --travel-zero'


Stays = Annotated[
    bool,
    typer.Option(
        "--stays", help="The unit sits there since its last card and was not touched: its course goes on."
    ),
]

Purpose = Annotated[
    Literal["release", "engineering"],
    typer.Option(help="What the numbers are for; a release has conditions, and says which one is not met."),
]
Approve = Annotated[
    bool,
    typer.Option("--approve", help="I approve the variant as its file is now: the file then says so."),
]


Mark = Annotated[
    float | None,
    typer.Option(
        "--mark", metavar="DEG", help="The encoder's angle at which the mark on the unit's rotor is."
    ),
]


def run(
    bench: BenchFile,
    fixture: Annotated[str, typer.Argument(help="The fixture's id.")],
    *,
    unit: Annotated[str, typer.Option(help="The unit's serial.")],
    variant: Annotated[str, typer.Option(help="The product: a file in variants/ beside the rig file.")],
    operator: Annotated[str, typer.Option(help="Who mounted it.")],
    notes: Annotated[str, typer.Option(help="Anything worth knowing in the morning.")] = "",
    travel_zero: Annotated[
        bool,
        typer.Option("--travel-zero", help="I have seen that the cable hangs free: travel counts from here."),
    ] = False,
    stays: Stays = False,
    mark: Mark = None,
    purpose: Purpose = "engineering",
    approve: Approve = False,
    as_json: AsJson = False,
) -> None:
    """Append a mount card under the data root; the last card is in force when a run begins.

    While a daemon runs on the data root, it writes the card. A card begins a run, which records; nothing turns before `nightturn go`. With --stays the unit was not touched
    since its last card, so what changes from then on is the unit's; without it a new mounting begins. Travel counts from where somebody has seen the cable hang free:
    --travel-zero says so. It counts on from run to run as long as the device stays up, or its sheet names an encoder that distinguishes the turns of the whole travel; once it
    is unknown, this ends with 2 without --travel-zero. It is refused, with 1, while the shaft turns or may turn: stop it first. --mark ties the angles of this mounting to those
    of others: `compare` and the reference envelope are then held place by place.

    With --purpose release verdicts count as a release where the calibration is valid with a stated uncertainty, the reference check is fresh
    ([fixture.refcheck] in the rig file), the variant is approved as it is and the temperature is steady; else every output says engineering, and why.
    """
    from nightturn.cli.mount_text import mounted

    words = {"notes": notes, "travel_zero": travel_zero, "stays": stays, "mark_deg": mark, "purpose": purpose}
    mounted(bench, fixture, (unit, variant, operator), words, approve=approve, as_json=as_json)
