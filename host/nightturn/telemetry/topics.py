"""The topic tree: who publishes what where.

    nightturn/v1/<lab>/<fixture>/info            retained
    nightturn/v1/<lab>/<fixture>/state           retained
    nightturn/v1/<lab>/<fixture>/m/cycle         one per cycle; also m/trend, m/live and m/health; expire after a day
    nightturn/v1/<lab>/<fixture>/alarm/<id>      retained while open, cleared by an empty payload
    nightturn/v1/<lab>/<fixture>/ev/<type>
    nightturn/v1/<lab>/<fixture>/m/batch         figures that waited in an outage, many in one; expires after a day
    nightturn/v1/<lab>/<fixture>/ev/batch        events that did; also below host/<host>
    nightturn/v1/<lab>/<fixture>/cmd/<name>      read where the rig file allows it: acknowledge, pause, stop
    nightturn/v1/<lab>/host/<host>/state         retained, and the last will
    nightturn/v1/<lab>/host/<host>/alarm/<id>    as those of fixtures, of what belongs to none
    nightturn/v1/<lab>/host/<host>/ev/command    what became of a command to the host
    nightturn/v1/<lab>/host/<host>/cmd/<name>    acknowledge

`host` is no fixture id, so the two branches cannot meet.
"""

import re
from typing import Literal

from nightturn.errors import ConfigError
from nightturn.model.alarms import HOST
from nightturn.model.names import LAB_NAME, fixture_id_problem

ROOT = "nightturn"
MAJOR = "v1"
BATCH = "batch"
"""The last word of a topic under which many messages come at once; no kind of event."""

Measurement = Literal["cycle", "trend", "live", "health"]

HOST_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,62}")
WORD = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")


def _segment(text: str, pattern: re.Pattern[str], what: str) -> str:
    if not pattern.fullmatch(text):
        raise ConfigError(
            f"{text!r} cannot be part of a topic", where=what, allowed=f"{pattern.pattern}; no /, + or #"
        )
    return text


class Topics:
    """Builds the topics of one lab and one host.

    Raises:
        ConfigError: a name that could not stand between two slashes.
    """

    def __init__(self, lab: str, host: str) -> None:
        self.lab = _segment(lab, LAB_NAME, "lab")
        self.host = _segment(host, HOST_NAME, "host")
        self._lab_root = f"{ROOT}/{MAJOR}/{self.lab}"

    def host_state(self) -> str:
        """Where the daemon itself says that it is online."""
        return f"{self._lab_root}/host/{self.host}/state"

    def info(self, fixture: str) -> str:
        """What stands on the fixture and how it is set up."""
        return f"{self._of(fixture)}/info"

    def state(self, fixture: str) -> str:
        """What the fixture is doing."""
        return f"{self._of(fixture)}/state"

    def measurement(self, fixture: str, kind: Measurement) -> str:
        """Figures of a cycle, their course, live values, or the health of the telemetry itself."""
        return f"{self._of(fixture)}/m/{kind}"

    def alarm(self, fixture: str, alarm_id: str) -> str:
        """One alarm, retained while it is open; `host` is this host, for what belongs to no fixture."""
        return f"{self._place(fixture)}/alarm/{_segment(alarm_id, WORD, 'alarm id')}"

    def alarms(self) -> str:
        """The filter of every alarm of the lab's fixtures."""
        return f"{self._lab_root}/+/alarm/+"

    def alarm_of(self, topic: str) -> tuple[str, str] | None:
        """Fixture and id of an alarm of this lab; None for any other topic."""
        below = topic.removeprefix(f"{self._lab_root}/")
        match below.split("/"):
            case [fixture, "alarm", alarm_id] if below != topic:
                return fixture, alarm_id
            case _:
                return None

    def event(self, fixture: str, kind: str) -> str:
        """Something that happened."""
        return f"{self._place(fixture)}/ev/{_segment(kind, WORD, 'event type')}"

    def commands(self, fixture: str) -> str:
        """The filter of every command to a fixture, or to this host."""
        return f"{self._place(fixture)}/cmd/+"

    def command_of(self, topic: str) -> tuple[str, str] | None:
        """Fixture, or `host`, and name of a command of this lab; None for any other topic."""
        below = topic.removeprefix(f"{self._lab_root}/")
        match below.split("/"):
            case [fixture, "cmd", name] if below != topic:
                return fixture, name
            case ["host", self.host, "cmd", name] if below != topic:
                return HOST, name
            case _:
                return None

    def _place(self, fixture: str) -> str:
        return f"{self._lab_root}/host/{self.host}" if fixture == HOST else self._of(fixture)

    def _of(self, fixture: str) -> str:
        problem = fixture_id_problem(fixture)
        if problem is not None:
            raise ConfigError(problem, where="fixture id")
        return f"{self._lab_root}/{fixture}"
