"""How a reader takes what the broker retains: the one place where that rule is written as code.

A fixture's `state` counts only while the daemon that wrote it is there. It counts as offline when its host's state is
missing or offline, or names another `daemon_boot`. An alarm counts under the same condition; one of another boot or
of a host that is away is what was last heard, not what holds now.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from nightturn.telemetry.topics import MAJOR, ROOT

OFFLINE = "offline"
ONLINE = "online"
HOST, STATE, ALARM = "host", "state", "alarm"
THERE = frozenset({"active", "acknowledged"})


@dataclass(frozen=True, slots=True)
class FixtureSeen:
    """What holds of a fixture.

    Attributes:
        state: its word, or `offline`.
        run: the run that it names; of an offline fixture the last one that was heard of.
        alarms: the ids of those whose cause is there; none is known of an offline fixture.
        said: the whole payload of its `state`.
    """

    state: str
    run: str
    alarms: frozenset[str]
    said: Mapping[str, Any]


def speaks_for(host: Mapping[str, Any] | None, payload: Mapping[str, Any]) -> bool:
    """Whether the daemon that wrote a fixture's payload is there."""
    return (
        host is not None
        and host.get("state") == ONLINE
        and host.get("daemon_boot") == payload.get("daemon_boot")
    )


def picture(retained: Mapping[str, bytes]) -> dict[str, FixtureSeen]:
    """Every fixture of what the broker retains, by `<lab>/<fixture>`.

    Args:
        retained: topic and newest payload; an empty payload is a topic that was cleared.
    """
    decoded = {topic: msgspec.json.decode(payload) for topic, payload in retained.items() if payload}
    found: dict[str, FixtureSeen] = {}
    for topic, said in decoded.items():
        match topic.split("/"):
            case [_, _, lab, fixture, last] if last == STATE:
                host = decoded.get(f"{ROOT}/{MAJOR}/{lab}/{HOST}/{said['host']}/{STATE}")
                here = speaks_for(host, said)
                alarms = _active(decoded, f"{ROOT}/{MAJOR}/{lab}/{fixture}/{ALARM}/", host) if here else ()
                word = str(said["state"]) if here else OFFLINE
                found[f"{lab}/{fixture}"] = FixtureSeen(word, str(said["run"]), frozenset(alarms), said)
            case _:
                pass
    return found


def _active(decoded: Mapping[str, Any], below: str, host: Mapping[str, Any] | None) -> list[str]:
    return [
        topic.removeprefix(below)
        for topic, said in decoded.items()
        if topic.startswith(below) and speaks_for(host, said) and said.get("state") in THERE
    ]
