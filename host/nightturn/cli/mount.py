"""`nightturn mount`: who put which unit on a fixture."""

import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import typer

from nightturn.cli.arguments import AsJson, BenchFile
from nightturn.model.cards import MountCard

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
    purpose: Purpose = "engineering",
    approve: Approve = False,
    as_json: AsJson = False,
) -> None:
    """Append a mount card under the data root; the last card is in force when a run begins.

    While a daemon runs on the data root, it writes the card. A card begins a run, which records; nothing turns before
    `nightturn go`. With --stays the unit was not touched since its last card, so what changes from then on is the unit's; without it a new
    mounting begins. Travel counts from where somebody has seen the cable hang free: --travel-zero says so. It counts on from run to
    run as long as the device stays up, or its sheet names an encoder that distinguishes the turns of the whole travel; once it is
    unknown, this ends with 2 without --travel-zero. It is refused, with 1, while the shaft turns or may turn: stop it first.

    With --purpose release verdicts count as a release where the calibration is valid with a stated uncertainty, the reference check is fresh
    ([fixture.refcheck] in the rig file), the variant is approved as it is and the temperature is steady; else every output says engineering, and why.
    """
    given = locals()
    _mounted(given)


def _mounted(given: Mapping[str, Any]) -> None:
    """Approve the variant where that is asked for, have the card in force, and say what a release still lacks."""
    from nightturn.bench.release import approve_variant, lacks_now
    from nightturn.cli.output import print_json
    from nightturn.daemon.control_client import new_request
    from nightturn.daemon.control_protocol import MOUNT
    from nightturn.daemon.mounting import mount
    from nightturn.estimation.figures import FIGURES
    from nightturn.settings.load import card_path, data_root, load_rig, load_variant, read_card
    from nightturn.settings.validate import fixture_named

    bench, operator = Path(given["bench"]), str(given["operator"])
    rig, now_ns = load_rig(bench), time.time_ns()
    station = fixture_named(rig, given["fixture"], str(bench))
    product = load_variant(bench.parent, given["variant"], figures=FIGURES)
    asked = {name: given[name] for name in ("notes", "travel_zero", "stays", "purpose")}
    request = msgspec.structs.replace(
        new_request(MOUNT, station.id, operator, unit=given["unit"]), variant=product.name, **asked
    )
    root = data_root(bench, rig)
    if given["approve"]:  # first: a daemon opens a run as soon as the card is there
        product = approve_variant(bench.parent, product, operator, now_ns)
    travel = mount(root, station, request, now_ns)
    path, card = card_path(root, station.id), read_card(root, station.id)
    assert card is not None
    lacks = lacks_now(root, station, product, card, now_ns)
    if given["as_json"]:
        said = {"fixture": station.id, "path": str(path), "card": card, "travel": travel}
        print_json({**said, "engineering_because": lacks, "approved": product.approved})
    else:
        _show(station.id, card, path, (travel, *_purpose(card, lacks)))


def _purpose(card: MountCard, lacks: Sequence[str]) -> tuple[str, ...]:
    """What of a release can be said before the night; nothing where none is asked for."""
    if card.purpose == "engineering":
        return ()
    if not lacks:
        return ("release: all is in order now; the temperature is still to be steady",)
    return tuple(f"engineering, not a release, as long as {each}" for each in lacks)


def _show(fixture: str, card: MountCard, path: Path, notes: Sequence[str]) -> None:
    from nightturn.cli.output import HANG, print_text

    go = f"`nightturn go {fixture} --unit {card.unit} --operator NAME`"
    does = f"stays as mounted {card.since_utc}, says" if card.since_utc else "mounted by"
    mounted = f"{card.unit} ({card.variant}) {does} {card.operator}; card in {path}"
    for said in (mounted, *notes, f"nothing turns; next: {go}"):
        print_text(f"{fixture}: {said}", hang=HANG)
