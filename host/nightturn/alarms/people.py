"""What people do with alarms: acknowledge them, set them aside for a while, take what is being worked on out of service."""

from nightturn.alarms import explaining
from nightturn.alarms.changes import Changes
from nightturn.alarms.conditions import CONDITIONS
from nightturn.alarms.kept import Kept
from nightturn.alarms.lifecycle import Input, moved
from nightturn.alarms.words import Acknowledge, OutOfService, PutBack, SetAside
from nightturn.model.alarms import SET_ASIDE_S_MAX, Put
from nightturn.model.clocks import NS_PER_S

PUTS_MAX = 1000
"""Conditions and fixtures that are set aside or out of service."""


def acknowledge(changes: Changes, word: Acknowledge) -> str:
    """A person knows; why nothing changes, or an empty text. With a cause, all that it explains is acknowledged, with the flood's line all that it stands for."""
    state = changes.state
    found = [
        each
        for each in state.kept.values()
        if each.fixture == word.fixture and word.id in {"", each.id} and moved(each.state, Input.ACKNOWLEDGE)
    ]
    if not found:
        what = f"alarm {word.id!r}" if word.id else "alarm"
        return f"{word.fixture} has no {what} that waits for somebody"
    for one in list(found):
        behind = explaining.explained(state, one)
        found += [each for each in behind if moved(each.state, Input.ACKNOWLEDGE) and each not in found]
    for each in found:
        each.acknowledged_by, each.acknowledged_ts = word.by, state.ts
        changes.move(each, Input.ACKNOWLEDGE, _by("acknowledged", word.by, word.reason))
    for each in found:
        explaining.let_go(changes, each)
        changes.forget(each)
    return ""


def put(changes: Changes, word: SetAside | OutOfService | PutBack) -> str:
    """Keep something quiet, or end that; why nothing changes, or an empty text."""
    if word.id and word.id not in CONDITIONS and f"{word.fixture}/{word.id}" not in changes.state.kept:
        return f"there is no alarm {word.id!r}"
    if isinstance(word, PutBack):
        return _back(changes, word)
    if not word.reason.strip():
        return "it needs a reason"
    if _puts(changes) >= PUTS_MAX:
        return f"no more than {PUTS_MAX} are kept quiet"
    if isinstance(word, SetAside):
        return _aside(changes, word)
    taken = Put(by=word.by, reason=word.reason, since_ts=changes.state.ts)
    said = _by("out of service", word.by, word.reason)
    if not word.id:
        changes.state.out[word.fixture] = taken
        _say_all(changes, word.fixture, said)
        return ""
    kept = _kept(changes, word.fixture, word.id)
    kept.out_of_service = taken
    changes.say(kept, kept.state, said)
    return ""


def _aside(changes: Changes, word: SetAside) -> str:
    ts = changes.state.ts
    if not word.id:
        return "one alarm at a time is set aside; a fixture that is worked on is taken out of service"
    if not ts < word.until_ts <= ts + SET_ASIDE_S_MAX * NS_PER_S:
        return f"an alarm is set aside for {SET_ASIDE_S_MAX // 3600} h at most"
    kept = _kept(changes, word.fixture, word.id)
    kept.set_aside = Put(by=word.by, reason=word.reason, since_ts=ts, until_ts=word.until_ts)
    changes.wait(kept, word.until_ts)
    changes.say(kept, kept.state, _by("set aside", word.by, word.reason))
    return ""


def _back(changes: Changes, word: PutBack) -> str:
    said = _by("put back", word.by, word.reason)
    if not word.id:
        if changes.state.out.pop(word.fixture, None) is None:
            return f"{word.fixture} is not out of service"
        _say_all(changes, word.fixture, said)
        return ""
    kept = changes.state.kept.get(f"{word.fixture}/{word.id}")
    if kept is None or (kept.set_aside is None and kept.out_of_service is None):
        return f"{word.id!r} of {word.fixture} is neither set aside nor out of service"
    kept.set_aside = kept.out_of_service = None
    changes.say(kept, kept.state, said)
    changes.forget(kept)
    return ""


def _puts(changes: Changes) -> int:
    kept = changes.state.kept.values()
    return len(changes.state.out) + sum(1 for each in kept if each.set_aside or each.out_of_service)


def _kept(changes: Changes, fixture: str, word: str) -> Kept:
    return changes.state.kept.get(f"{fixture}/{word}") or changes.begin(fixture, word)


def _say_all(changes: Changes, fixture: str, why: str) -> None:
    for each in changes.state.kept.values():
        if each.fixture == fixture and each.open:
            changes.say(each, each.state, why)


def _by(what: str, by: str, reason: str) -> str:
    return f"{what} by {by}" + (f": {reason}" if reason else "")
