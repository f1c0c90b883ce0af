"""The first moves of a bring-up from their questions to what is printed of them."""

from pathlib import Path

import msgspec

from nightturn.cli.at_terminal import AtTerminal
from nightturn.cli.bringup_text import NOBODY, show_proposals
from nightturn.cli.output import HANG, print_json, print_text
from nightturn.daemon.alone import daemon_for
from nightturn.daemon.control_protocol import Request
from nightturn.daemon.errand import Errand, Person
from nightturn.daemon.mounting import card_of
from nightturn.errors import ConfigError
from nightturn.estimation.figures import FIGURES
from nightturn.model.tasks import FirstMovesTask
from nightturn.report.first_moves import FirstFound, Seen, found_of
from nightturn.settings.load import data_root, load_rig, load_variant
from nightturn.settings.mistakes import raise_mistakes
from nightturn.settings.validate import card_mistakes, fixture_named
from nightturn.storage.runs import open_run

CAUTION = (
    "Signs are unknown, so expect the wrong way. Free the shaft of levers and masses, keep hands off, one hand at the emergency stop, "
    "and watch which way the shaft turns on the way out."
)


def first_moves(bench: Path, request: Request, variant: str, *, travel_zero: bool, as_json: bool) -> bool:
    """Ask for each move, turn it and print what was found; whether both senses are known and right.

    Raises:
        NightturnError: nothing was turned; its words say why.
    """
    rig = load_rig(bench, figures=FIGURES)
    settings, root = fixture_named(rig, request.fixture, str(bench)), data_root(bench, rig)
    rated_nm = load_variant(bench.parent, variant, figures=FIGURES).rated_torque_nm
    task = FirstMovesTask(rated_torque_nm=rated_nm, request=request.id)
    request = msgspec.structs.replace(request, variant=variant, travel_zero=travel_zero, task=task)
    raise_mistakes(card_mistakes(request.fixture, card_of(request, 0)))
    person = AtTerminal(quiet=False)
    if not person.answers:
        raise ConfigError(NOBODY, where="nightturn bringup --moves")
    person.say(CAUTION)
    with daemon_for(bench, root, request.fixture):
        run = Errand(root, request, person).carry_out()
    found = found_of(
        open_run(root, request.fixture, run), asked(person, settings.transducer.positive), settings
    )
    if as_json:
        print_json(found)
    else:
        show_found(found, str(bench))
    return found.clear


def asked(person: Person, positive: str) -> Seen:
    """What the person saw on the way out."""
    allowed = ", ".join(Seen)
    while True:
        said = person.answer(f"On the way out, did the shaft turn {positive}? Type {allowed}")
        if said in set(Seen):
            return Seen(said)
        person.say(f"{said!r} is none of {allowed}")


def show_found(found: FirstFound, bench: str) -> None:
    """What follows, then the lines of the rig file, then what a few degrees do not show."""
    for text in found.said:
        print_text(text, hang=HANG)
    show_proposals(found.proposals, bench)
    print_text(found.not_shown, hang=HANG)
    print_text(f"kept as run {found.run}, which ended: {found.ended}", hang=HANG)
