"""States in which a rig at rest is looked at, and the stretches of a run in which it stood so."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RestState:
    """A state of the rig at rest, and what the person sees to."""

    name: str
    see_to: str


UNCOUPLED = RestState("uncoupled", "the coupling between unit and transducer is open, the drive has no power")
STATES = (
    UNCOUPLED,
    RestState("coupled", "the unit is coupled to the transducer, the drive has no power"),
    RestState("drive enabled", "the turning drive is enabled at its own panel and is at rest"),
    RestState("current on", "the actuator has current at its own panel, is to hold 0 N·m, and is at rest"),
)


@dataclass(frozen=True, slots=True)
class Looked:
    """A stretch in a state, UTC ns since 1970."""

    state: RestState
    start_ns: int
    stop_ns: int
