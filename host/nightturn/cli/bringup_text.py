"""A bring-up at rest from its questions to what is printed of it."""

import time
from collections.abc import Sequence
from pathlib import Path

import msgspec

from nightturn.cli.at_terminal import AtTerminal
from nightturn.cli.output import HANG, print_json, print_text
from nightturn.daemon.alone import daemon_for
from nightturn.daemon.control_protocol import Request
from nightturn.daemon.errand import Errand
from nightturn.daemon.mounting import card_of
from nightturn.daemon.rest_states import look
from nightturn.errors import ConfigError, NightturnError
from nightturn.estimation.figures import FIGURES
from nightturn.model.tasks import BringUpTask
from nightturn.report.at_rest import NOT_SEEN, BroughtUp, Proposal, proposals, said_of, states_of
from nightturn.settings.load import data_root, load_rig, load_variant
from nightturn.settings.mistakes import raise_mistakes
from nightturn.settings.validate import card_mistakes, fixture_named
from nightturn.storage.runs import open_run
from nightturn.trend.series import FOLLOWED

NOBODY = "needs a terminal: each state and each move is confirmed by a person"
NOTHING = "no state was looked at"


def brought_up(
    bench: Path,
    request: Request,
    variant: str,
    seconds: float,
    pwm_hz: float | None,
    *,
    travel_zero: bool,
    as_json: bool,
) -> bool:
    """Ask for the states, record them and print what was found; whether every one of them can be used.

    Raises:
        NightturnError: nothing was looked at; its words say why.
    """
    rig = load_rig(bench, figures=FIGURES, followed=FOLLOWED)
    settings, root = fixture_named(rig, request.fixture, str(bench)), data_root(bench, rig)
    load_variant(bench.parent, variant, figures=FIGURES)
    task = BringUpTask(request=request.id)
    request = msgspec.structs.replace(request, variant=variant, travel_zero=travel_zero, task=task)
    raise_mistakes(card_mistakes(request.fixture, card_of(request, 0)))
    person = AtTerminal(quiet=False)
    if not person.answers:
        raise ConfigError(NOBODY, where="nightturn bringup")
    with daemon_for(bench, root, request.fixture):
        errand = Errand(root, request, person)
        with errand.begun() as run:
            looked = look(person, seconds, time.sleep, time.time_ns)
        errand.end()
    if not looked:
        raise NightturnError(NOTHING)
    states = states_of(open_run(root, request.fixture, run), looked, settings, pwm_hz)
    found = BroughtUp(run, states, proposals(states, settings))
    if as_json:
        print_json(found)
    else:
        show(found, str(bench))
    return not any(each.found.trouble for each in states)


def show(found: BroughtUp, bench: str) -> None:
    """The states, then what follows for the rig file, then what could not be seen."""
    for state in found.states:
        for text in said_of(state):
            indent = "  " if text.startswith("  ") else ""
            print_text(text.strip(), indent, hang=HANG)
    show_proposals(found.proposals, bench)
    print_text(NOT_SEEN, hang=HANG)
    print_text(f"kept as run {found.run}", hang=HANG)


def show_proposals(proposals: Sequence[Proposal], bench: str) -> None:
    """Lines of the rig file, each with why; that there are none where there are none."""
    for each in proposals:
        print_text(f"{bench}, {each.table}: {each.line}  # {each.why}", hang=HANG)
    if not proposals:
        print_text(f"{bench}: nothing to change follows from this", hang=HANG)
