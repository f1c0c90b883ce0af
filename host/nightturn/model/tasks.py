"""Tasks: what a run is for, where it is not a night. The mount card carries one, so tape, restart and replay know it."""

import msgspec

MEASURE, BRING_UP, FIRST_MOVES = "measure", "bringup", "first_moves"

OPEN, REACHED, UNREACHABLE = "open", "reached", "unreachable"

NO_NIGHT = {
    MEASURE: "a measurement, not a night: nothing is accepted or rejected by it",
    BRING_UP: "a bring-up, not a night: nothing turns under its card",
    FIRST_MOVES: "the first moves of a bring-up, not a night: nothing is accepted or rejected by them",
}
"""What is said in the place of a night's verdict, by the task's name."""


class MeasureTask(msgspec.Struct, frozen=True, kw_only=True, tag=MEASURE):
    """Figures of a unit, now: cycles of slow turns both ways and a hold, until each ± is small enough or cannot become so.

    Attributes:
        figures: which ones are wanted.
        until_pct: wanted half-width of the 95 % interval in per cent of the value; None: all cycles are turned, whatever it is.
        cycles: that are turned at most.
        warm: whether the warm-up of the rig file comes first.
        request: id of the request that brought it, so that who asked knows the card again.
    """

    figures: tuple[str, ...]
    until_pct: float | None = None
    cycles: int = 2
    warm: bool = False
    request: str = ""

    @property
    def name(self) -> str:
        """As people and the table of tasks call it."""
        return MEASURE


class Standing(msgspec.Struct, frozen=True):
    """A figure of a measurement.

    Attributes:
        figure: its name. value, half: in its unit, with the half-width of its 95 % interval; None without a judged cycle.
        wanted: the half-width that was asked for, in its unit; None where none was or there is no value.
        judged: cycles that gave a value with a ±.
        word: `open`, `reached` or `unreachable`.
        said: the same as a sentence.
    """

    figure: str
    value: float | None
    half: float | None
    wanted: float | None
    judged: int
    word: str
    said: str


class BringUpTask(msgspec.Struct, frozen=True, kw_only=True, tag=BRING_UP):
    """The torque channel at rest, in one state of the rig after the other; every `go` is refused.

    Attributes:
        request: id of the request that brought it.
    """

    request: str = ""

    @property
    def name(self) -> str:
        """As people and the table of tasks call it."""
        return BRING_UP


class FirstMovesTask(msgspec.Struct, frozen=True, kw_only=True, tag=FIRST_MOVES):
    """The first moves of a rig whose senses nobody knows: out and back by a few degrees, one for each `go`.

    Attributes:
        rated_torque_nm: of the variant; a share of it ends the run. A run whose variant says otherwise is not permitted to turn.
        request: id of the request that brought it.
    """

    rated_torque_nm: float
    request: str = ""

    @property
    def name(self) -> str:
        """As people and the table of tasks call it."""
        return FIRST_MOVES


Task = MeasureTask | BringUpTask | FirstMovesTask
"""Whatever a card may carry; a further one is a struct with its own tag in this union, and a plan in `settings.tasks`."""


def not_a_night(task: Task | msgspec.UnsetType) -> str:
    """Why a run with this on its card has no night's verdict; empty for a night."""
    return "" if isinstance(task, msgspec.UnsetType) else NO_NIGHT[task.name]
