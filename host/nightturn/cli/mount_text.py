"""What `nightturn mount` does and prints."""

import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from nightturn.bench.release import approve_variant, lacks_now
from nightturn.cli.output import HANG, print_json, print_text
from nightturn.daemon.control_client import new_request
from nightturn.daemon.control_protocol import MOUNT
from nightturn.daemon.mounting import mount
from nightturn.estimation.figures import FIGURES
from nightturn.model.cards import MountCard
from nightturn.settings.load import card_path, data_root, load_rig, load_variant, read_card
from nightturn.settings.validate import fixture_named


def mounted(
    bench: Path,
    fixture: str,
    who: tuple[str, str, str],
    words: Mapping[str, object],
    *,
    approve: bool,
    as_json: bool,
) -> None:
    """Write the card, and say what it says and what of a release is still to come.

    Args:
        bench: the rig file.
        fixture: whose card.
        who: unit, variant and operator.
        words: what else the card says, by the names of a request.
        approve: whether the operator approves the variant as its file is now.
        as_json: whether a program reads it.

    Raises:
        ConfigError: a file or a word cannot be used.
        DeviceError: the daemon refuses the card.
    """
    unit, variant, operator = who
    rig = load_rig(bench)
    station = fixture_named(rig, fixture, str(bench))
    now_ns = time.time_ns()
    product = load_variant(bench.parent, variant, figures=FIGURES)
    request = msgspec.structs.replace(
        new_request(MOUNT, station.id, operator, unit=unit), variant=product.name, **words
    )
    root = data_root(bench, rig)
    if approve:  # first: a daemon opens a run as soon as the card is there
        product = approve_variant(bench.parent, product, operator, now_ns)
    travel = mount(root, station, request, now_ns)
    path, card = card_path(root, station.id), read_card(root, station.id)
    assert card is not None
    lacks = lacks_now(root, station, product, card, now_ns)
    if as_json:
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
    go = f"`nightturn go {fixture} --unit {card.unit} --operator NAME`"
    does = f"stays as mounted {card.since_utc}, says" if card.since_utc else "mounted by"
    mounted = f"{card.unit} ({card.variant}) {does} {card.operator}; card in {path}"
    for said in (mounted, *notes, f"nothing turns; next: {go}"):
        print_text(f"{fixture}: {said}", hang=HANG)
