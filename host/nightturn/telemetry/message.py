"""One MQTT message as the rest of the room hands it around."""

from dataclasses import dataclass

M_EXPIRY_S = 24 * 3600
LIVE_EXPIRY_S = 10


@dataclass(frozen=True, slots=True)
class Message:
    """Topic and payload at QoS 1.

    Attributes:
        latest: replaces an undelivered message on the same topic; otherwise every one is wanted.
        retain: the broker keeps it for late joiners, and it is announced at every connect; always `latest`. An
            empty payload clears the topic.
        expiry_s: after so many seconds the broker drops it undelivered (MQTT 5 only); None keeps it.
        series: of figures under one topic, which one it is.
    """

    topic: str
    payload: bytes
    latest: bool = False
    retain: bool = False
    expiry_s: int | None = None
    series: str = ""

    @property
    def is_figure(self) -> bool:
        """Whether it is one of many that files hold as well: it makes room first, and is thinned out in a long outage."""
        return not self.latest and self.expiry_s is not None


def wanted(topic: str, payload: bytes, expiry_s: int | None = None, series: str = "") -> Message:
    """A message of which every one is wanted; without an expiry it is an event, and else a figure."""
    return Message(topic, payload, expiry_s=expiry_s, series=series)


def latest(topic: str, payload: bytes, expiry_s: int | None = None) -> Message:
    """A message that only matters until the next on its topic."""
    return Message(topic, payload, latest=True, expiry_s=expiry_s)


def retained(topic: str, payload: bytes) -> Message:
    """A message that late joiners get."""
    return Message(topic, payload, latest=True, retain=True)
