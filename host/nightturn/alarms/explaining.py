"""What explains what: an alarm whose cause is an alarm itself calls nobody as long as that one is open.

It begins to be explained while the cause of that one is there, never by one that has merely not been acknowledged yet.
"""

from nightturn.alarms.changes import Changes
from nightturn.alarms.kept import BY_FLOOD, Kept, State
from nightturn.alarms.lifecycle import Input
from nightturn.model.alarms import HOST, AlarmState
from nightturn.model.clocks import NS_PER_S

TOGETHER_S = 120.0
"""A cause that is seen so long behind its consequence explains it still: detection takes its time."""


def cause_of(state: State, kept: Kept) -> str:
    """The open alarm that explains one, `fixture/condition`, the first in its row of the table; empty without one."""
    for word in kept.condition.explained_by:
        for fixture in dict.fromkeys((kept.fixture, HOST)):
            cause = state.kept.get(f"{fixture}/{word}")
            if cause is not None and cause is not kept and _explains(cause):
                return cause.name
    return ""


def explain(changes: Changes, cause: Kept) -> None:
    """A cause has become an alarm: what came of it shortly before is explained."""
    state = changes.state
    since_ts = state.ts - round(TOGETHER_S * NS_PER_S)
    for each in list(state.kept.values()):
        follows = each is not cause and cause.id in each.condition.explained_by
        of_it = cause.fixture in {each.fixture, HOST}
        fresh = each.state is AlarmState.ACTIVE and not each.explained_by and each.called_ts >= since_ts
        if follows and of_it and fresh and cause.explained_by != each.name:
            each.explained_by = cause.name
            changes.say(each, each.state, f"explained by {cause.name}")


def let_go(changes: Changes, cause: Kept) -> None:
    """An alarm has ended: what it explained has another cause, has ended with it, or stands for itself."""
    state = changes.state
    if cause.open:
        return
    for each in [each for each in state.kept.values() if each.explained_by == cause.name != BY_FLOOD]:
        if each.lasts and not each.there:
            continue  # it is about to return
        each.explained_by = cause_of(state, each)
        if each.explained_by or not each.open:
            continue
        if each.state is AlarmState.RETURNED and not each.condition.latched:
            changes.move(each, Input.ACKNOWLEDGE, f"ended with {cause.name}")
            changes.forget(each)
        else:
            changes.say(each, each.state, f"no longer explained by {cause.name}")


def come_back(changes: Changes, kept: Kept) -> None:
    """What was about to return is there again: what explained it may have ended."""
    state = changes.state
    cause = state.kept.get(kept.explained_by)
    if not kept.explained_by or kept.explained_by == BY_FLOOD or (cause is not None and cause.open):
        return
    before, kept.explained_by = kept.explained_by, cause_of(state, kept)
    if not kept.explained_by:
        changes.say(kept, kept.state, f"no longer explained by {before}")


def explained(state: State, cause: Kept) -> list[Kept]:
    """Everything that an alarm explains, by way of others too, in the order in which it came."""
    found = [cause]
    for each in found:
        found += [one for one in state.kept.values() if one.explained_by == each.name and one not in found]
    return found[1:]


def _explains(cause: Kept) -> bool:
    """While its cause is there; a moment's is as long as it has not returned."""
    return cause.lasts and (cause.there or cause.condition.passes)
