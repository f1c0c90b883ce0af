"""Many alarms at once are one line, with the first of them in front: nobody can read two hundred.

More than ten in ten minutes are a flood, and fewer than five end it (public summaries of EEMUA 191, not the publication itself).
"""

from nightturn.alarms.changes import Changes
from nightturn.alarms.conditions import FLOOD, STANDS
from nightturn.alarms.kept import BY_FLOOD, Kept, more_urgent
from nightturn.alarms.lifecycle import Input
from nightturn.model.alarms import HOST, AlarmState
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import fixed

WITHIN_S = 600.0
BEGINS_ABOVE, ENDS_BELOW = 10, 5
RECENT_MAX = BEGINS_ABOVE + 1


def joined(changes: Changes, kept: Kept) -> None:
    """An alarm is about to be raised: it is counted, and joins the flood that lasts. A shaft that may turn is never one of many."""
    state = changes.state
    if kept.explained_by or kept.id in {FLOOD, *STANDS} or kept.set_aside or kept.fixture in state.out:
        return
    since_ts = state.ts - round(WITHIN_S * NS_PER_S)
    state.recent = [each for each in state.recent if each > since_ts][-RECENT_MAX:]
    if state.flooding and len(state.recent) < ENDS_BELOW:
        state.flooding = False
    state.recent.append(state.ts)
    flood = state.kept.get(BY_FLOOD)
    if not state.flooding or flood is None:
        return
    kept.explained_by = BY_FLOOD
    if more_urgent(kept.severity, flood.severity):
        flood.severity = kept.severity
        changes.move(flood, Input.RAISE, "more urgent")


def begins(changes: Changes) -> bool:
    """Whether too many came by now."""
    return not changes.state.flooding and len(changes.state.recent) > BEGINS_ABOVE


def begin(changes: Changes) -> None:
    """Those that called lately and that nobody has acknowledged become one."""
    state = changes.state
    since_ts = state.ts - round(WITHIN_S * NS_PER_S)
    members = [
        each
        for each in state.kept.values()
        if each.state is AlarmState.ACTIVE
        and not each.explained_by
        and each.called_ts > since_ts
        and each.id not in {FLOOD, *STANDS}
    ]
    if not members:
        return
    state.flooding = True
    first = min(members, key=lambda each: (each.since_ts, each.number))
    for each in members:
        each.explained_by = BY_FLOOD
        changes.say(each, each.state, f"explained by {BY_FLOOD}")
    flood = state.kept.get(BY_FLOOD) or changes.begin(HOST, FLOOD)
    flood.said = f"more than {BEGINS_ABOVE} alarms within {fixed(WITHIN_S / 60, 0)} min; the first was of {first.fixture}: {first.said}"
    flood.severity, flood.newest_ts, flood.there = members[0].severity, state.ts, True
    for each in members:
        if more_urgent(each.severity, flood.severity):
            flood.severity = each.severity
    flood.there_ts, flood.return_ts = first.since_ts, None
    changes.move(flood, Input.RAISE, "raised")


def member_gone(changes: Changes) -> None:
    """The flood returns when none of its alarms lasts any more."""
    state = changes.state
    flood = state.kept.get(BY_FLOOD)
    if flood is None or any(each.lasts and each.explained_by == BY_FLOOD for each in state.kept.values()):
        return
    flood.there = False
    changes.move(flood, Input.RETURN, "returned")
