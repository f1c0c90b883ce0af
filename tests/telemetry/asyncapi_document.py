"""The MQTT interface as an AsyncAPI 3.0.0 document, made of the same topics and payload functions that publish. Pure.

Each message's schema comes from the struct where there is one, and else from a payload that the functions make of a row: which keys there
are, and their types. A reader ignores keys that it does not know.
"""

from collections.abc import Mapping
from typing import Any

import msgspec

from nightturn.telemetry.batches import Batch
from nightturn.telemetry.commands import Command
from nightturn.telemetry.payloads import VERSION, Health, HostState
from nightturn.telemetry.topics import MAJOR, ROOT

FIXTURE = "{lab}/{fixture}"
CHANNELS: Mapping[str, tuple[str, str, bool, str]] = {
    # word: address below the root, which payload, retained, what it says
    "info": (f"{FIXTURE}/info", "info", True, "What is set up and mounted on a fixture"),
    "state": (f"{FIXTURE}/state", "state", True, "What a fixture does, waits for, and its night so far"),
    "cycle": (f"{FIXTURE}/m/cycle", "cycle", False, "The figures of one cycle; expires after a day"),
    "trend": (f"{FIXTURE}/m/trend", "trend", False, "The course of one figure; expires after a day"),
    "live": (f"{FIXTURE}/m/live", "live", False, "What the sensors show now; never a figure"),
    "health": (f"{FIXTURE}/m/health", "health", False, "How the telemetry and the device do"),
    "event": (FIXTURE + "/ev/{type}", "event", False, "Something that happened"),
    "gap": (f"{FIXTURE}/ev/gap", "gap", False, "Samples that are missing"),
    "runEnded": (
        f"{FIXTURE}/ev/run_ended",
        "run_ended",
        False,
        "A run is over, and what its cycles say together",
    ),
    "figures": (
        f"{FIXTURE}/m/batch",
        "batch",
        False,
        "Figures that waited in an outage, in the order of their seq; expires after a day",
    ),
    "events": (
        f"{FIXTURE}/ev/batch",
        "batch",
        False,
        "Events that waited in an outage, in the order of their seq",
    ),
    "hostEvents": ("{lab}/host/{host}/ev/batch", "batch", False, "The same of the host"),
    "alarm": (FIXTURE + "/alarm/{id}", "alarm", True, "An open alarm; an empty payload says that it is over"),
    "hostAlarm": ("{lab}/host/{host}/alarm/{id}", "alarm", True, "The same of what belongs to no fixture"),
    "commandAnswer": (f"{FIXTURE}/ev/command", "command_answer", False, "What became of a command"),
    "hostCommandAnswer": (
        "{lab}/host/{host}/ev/command",
        "command_answer",
        False,
        "What became of a command to the host",
    ),
    "host": ("{lab}/host/{host}/state", "host", True, "Whether the daemon is there; also its last will"),
}
COMMANDS: Mapping[str, tuple[str, str, bool, str]] = {
    "command": (
        FIXTURE + "/cmd/{name}",
        "command",
        False,
        "Acknowledge, pause or stop, where the rig file allows it; counts for 10 s",
    ),
    "hostCommand": ("{lab}/host/{host}/cmd/acknowledge", "command", False, "Acknowledge alarms of the host"),
}
"""What a daemon receives."""
PARAMETERS = {
    "name": "acknowledge, pause or stop",
    "lab": "the lab of the rig file",
    "fixture": "a fixture of the rig file",
    "host": "a computer and data root",
    "id": "an alarm's condition",
    "type": "a kind of event",
}
STRUCTS: Mapping[str, type[msgspec.Struct]] = {
    "health": Health,
    "host": HostState,
    "command": Command,
    "batch": Batch,
}


def document(payloads: Mapping[str, bytes], version: str) -> dict[str, Any]:
    """The whole document.

    Args:
        payloads: one of each word of `CHANNELS` that no struct describes, as the functions of `payloads` make it.
        version: of this program.
    """
    channels = {**CHANNELS, **COMMANDS}
    words = dict.fromkeys(word for _, word, _, _ in channels.values())
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "nightturn over MQTT",
            "version": f"{VERSION}.0.0",
            "description": f"What a daemon of nightturn {version} publishes at QoS 1. The motion lease is not a safety function, and nothing here is.",
        },
        "defaultContentType": "application/json",
        "channels": {name: _channel(*row) for name, row in channels.items()},
        "operations": {
            f"{_action(name)}{name[0].upper()}{name[1:]}": {
                "action": _action(name),
                "channel": {"$ref": f"#/channels/{name}"},
                "messages": [{"$ref": f"#/channels/{name}/messages/{row[1]}"}],
                "bindings": {"mqtt": {"qos": 1, "retain": row[2], "bindingVersion": "0.2.0"}},
            }
            for name, row in channels.items()
        },
        "components": {
            "messages": {word: _message(word, payloads) for word in words},
            "schemas": {name: part for struct in STRUCTS.values() for name, part in _inside(struct).items()},
        },
    }


def _action(name: str) -> str:
    return "receive" if name in COMMANDS else "send"


def _channel(address: str, word: str, retained: bool, said: str) -> dict[str, Any]:
    names = [name for name in PARAMETERS if f"{{{name}}}" in address]
    return {
        "address": f"{ROOT}/{MAJOR}/{address}",
        "description": f"{said}. {'Retained' if retained else 'Not retained'}.",
        "messages": {word: {"$ref": f"#/components/messages/{word}"}},
        "parameters": {name: {"description": PARAMETERS[name]} for name in names},
    }


def _message(word: str, payloads: Mapping[str, bytes]) -> dict[str, Any]:
    schema = _of_struct(STRUCTS[word]) if word in STRUCTS else _of_payload(payloads[word])
    return {"name": word, "contentType": "application/json", "payload": schema}


def _of_struct(struct: type[msgspec.Struct]) -> dict[str, Any]:
    return dict(_parts(struct)[struct.__name__])


def _inside(struct: type[msgspec.Struct]) -> dict[str, Any]:
    """The structs that one is made of."""
    return {name: part for name, part in _parts(struct).items() if name != struct.__name__}


def _parts(struct: type[msgspec.Struct]) -> dict[str, Any]:
    _, parts = msgspec.json.schema_components([struct], ref_template="#/components/schemas/{name}")
    return parts


def _of_payload(payload: bytes) -> dict[str, Any]:
    """Keys and types of one payload; a value that is null here may be anything that its key names."""
    said = msgspec.json.decode(payload)
    return {
        "type": "object",
        "required": sorted(said),
        "properties": {key: _of_value(value) for key, value in said.items()},
    }


def _of_value(value: object) -> dict[str, Any]:
    match value:
        case None:
            return {}
        case bool():
            return {"type": ["boolean", "null"]}
        case int() | float():
            return {"type": ["number", "null"]}
        case str():
            return {"type": ["string", "null"]}
        case list():
            return {"type": ["array", "null"]}
        case _:
            return {"type": ["object", "null"]}
