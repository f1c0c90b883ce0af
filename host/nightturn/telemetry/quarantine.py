"""Topics that the broker does not take: found, left alone for a while, tried again.

A broker may say no, or (mosquitto 2.0.11 with a denying access list) also close the connection, perhaps before
its answer is read. So a topic that was on its way when a connection ended is sent alone next time; if it alone
ends connection after connection, it is treated as refused.
"""

from dataclasses import dataclass

ALONE_LOSSES_MAX = 3
FIRST_PAUSE_S = 60.0
LONGEST_PAUSE_S = 3600.0


@dataclass(slots=True)
class _Record:
    suspect: bool = False
    alone_losses: int = 0
    refusals: int = 0
    blocked_until_s: float = float("-inf")


class Quarantine:
    """Remembers trouble per topic; time is the caller's monotonic seconds."""

    def __init__(self) -> None:
        self._records: dict[str, _Record] = {}

    def blocked(self, topic: str, now_s: float) -> bool:
        """Whether the topic was refused a short time ago."""
        record = self._records.get(topic)
        return record is not None and now_s < record.blocked_until_s

    def suspect(self, topic: str) -> bool:
        """Whether the topic must travel alone, because it was there when a connection ended."""
        record = self._records.get(topic)
        return record is not None and record.suspect

    def delivered(self, topic: str) -> None:
        """The broker took it: all is forgotten."""
        self._records.pop(topic, None)

    def refused(self, topic: str, now_s: float) -> bool:
        """Leave the topic alone: a minute, doubling to an hour; True at its first refusal."""
        record = self._records.setdefault(topic, _Record())
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(record.refusals, 10))
        record.refusals += 1
        record.suspect = True
        record.alone_losses = 0
        record.blocked_until_s = now_s + pause_s
        return record.refusals == 1

    def lost(self, topics: tuple[str, ...]) -> str | None:
        """The connection ended with these on their way; the topic to be treated as refused, if that is certain."""
        for topic in topics:
            self._records.setdefault(topic, _Record()).suspect = True
        if len(set(topics)) != 1:
            return None
        record = self._records[topics[0]]
        record.alone_losses += 1
        return topics[0] if record.alone_losses >= ALONE_LOSSES_MAX else None
