"""Messages of one place and class that waited in an outage, packed into one: what each was stays whole, in order. Pure."""

from collections.abc import Sequence
from dataclasses import replace

import msgspec

from nightturn.telemetry.message import Message
from nightturn.telemetry.topics import BATCH

BATCH_MAX, BATCH_BYTES_MAX = 200, 100_000
"""Of one batch: messages, and bytes of their payloads; below what `broker-config` lets a broker take."""
LOOK_AHEAD_MAX = 2000
"""So many waiting messages are looked at for one batch."""
LATE = b',"late":true}'


class Batched(msgspec.Struct, frozen=True):
    """One message of a batch: the topic and the payload that it would have had alone."""

    topic: str
    payload: msgspec.Raw


class Batch(msgspec.Struct, frozen=True, kw_only=True):
    """Payload of `m/batch` and `ev/batch`: messages of one fixture and class in the order of their `seq`; each says that it is late."""

    schema: str = "batch"
    v: int = 1
    late: bool = True
    messages: tuple[Batched, ...]


def batch_topic(message: Message) -> str:
    """Where a batch with this message goes; empty for one that goes alone."""
    above, slash, _ = message.topic.rpartition("/")
    return f"{above}/{BATCH}" if slash and message.payload.endswith(b"}") else ""


def late(message: Message) -> Message:
    """The same with `late` in its object."""
    if not message.payload.endswith(b"}"):
        return message
    return replace(message, payload=message.payload[:-1] + LATE)


def packed(messages: Sequence[Message]) -> Message:
    """Late messages of one `batch_topic` as one; a single one stays what it is."""
    first = messages[0]
    if len(messages) == 1:
        return late(first)
    inside = tuple(Batched(each.topic, msgspec.Raw(late(each).payload)) for each in messages)
    return replace(
        first, topic=batch_topic(first), payload=msgspec.json.encode(Batch(messages=inside)), series=""
    )
