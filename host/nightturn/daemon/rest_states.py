"""A person brings the rig into one state after the other, and says when it stands so; nothing is switched or turned from here."""

from collections.abc import Callable

from nightturn.daemon.errand import Person
from nightturn.model.quantities import quantity
from nightturn.model.rest_states import STATES, Looked

READY, SKIP, END = "ready", "skip", "end"
SETTLE_S = 1.0


def look(
    person: Person, seconds: float, sleep: Callable[[float], None], utc_ns: Callable[[], int]
) -> tuple[Looked, ...]:
    """Ask for each state, wait while samples come, and give the stretches of those that the person made ready.

    Args:
        person: at the terminal.
        seconds: of each stretch.
        sleep: waits so many seconds.
        utc_ns: the clock of this computer, which the samples have too.
    """
    found: list[Looked] = []
    for state in STATES:
        while True:
            question = f"{state.name}: {state.see_to}. Type {READY} when it is so, {SKIP} to leave it out, {END} to end"
            said = person.answer(question)
            if said == END:
                return tuple(found)
            if said in {READY, SKIP}:
                break
            person.say(f"{said!r} is none of the three; nothing was looked at")
        if said == READY:
            person.say(f"{quantity(seconds, 's')} of samples; touch nothing")
            sleep(SETTLE_S)
            start_ns = utc_ns()
            sleep(seconds)
            found.append(Looked(state, start_ns, utc_ns()))
    return tuple(found)
