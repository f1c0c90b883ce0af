"""Words for the core of the alarms, at seconds of an invented evening."""

from nightturn.alarms.engine import Alarms
from nightturn.alarms.words import Acknowledge, Moved, Sign
from nightturn.model.alarms import AlarmRow
from nightturn.model.clocks import NS_PER_S

START_TS = 1_790_000_000 * NS_PER_S


def at(seconds: float) -> int:
    return START_TS + round(seconds * NS_PER_S)


class Evening:
    """An evening of alarms, told in seconds."""

    def __init__(self) -> None:
        self.alarms = Alarms()
        self.moved: list[Moved] = []

    def sign(
        self, s: float, condition: str, *, there: bool = True, fixture: str = "pan-a1", **more: object
    ) -> None:
        said = f"{condition} at {s:.0f} s" if there else ""
        word = Sign(fixture, condition, there=there, said=said, **more)  # type: ignore[arg-type]  # what a test leaves open
        self.moved += self.alarms.handle(at(s), word).moved

    def acknowledge(self, s: float, condition: str = "", fixture: str = "pan-a1") -> str:
        taken = self.alarms.handle(at(s), Acknowledge(fixture, condition, "R. Vale"))
        self.moved += taken.moved
        return taken.refusal

    def until(self, s: float) -> None:
        self.moved += self.alarms.advance(at(s))

    @property
    def states(self) -> dict[str, str]:
        return {f"{row.fixture}/{row.id}": row.state.value for row in self.alarms.rows()}

    @property
    def calling(self) -> list[str]:
        return [f"{row.fixture}/{row.id}" for row in self.alarms.rows() if row.calls]

    @property
    def calls(self) -> list[str]:
        """Every time that somebody was called."""
        return [f"{each.row.fixture}/{each.row.id}" for each in self.moved if each.calls]

    def row(self, name: str) -> AlarmRow:
        return next(row for row in self.alarms.rows() if f"{row.fixture}/{row.id}" == name)
