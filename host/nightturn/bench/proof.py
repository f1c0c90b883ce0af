"""What shows that a station lives: frames that were parsed and are on the tape, and syncs that end."""

from dataclasses import dataclass

from nightturn.model.quantities import quantity

FRAME_AGE_S_MAX = 15.0
"""A station closes a line that brings nothing for 10 s and says so; one that does not even do that stands still."""
SYNC_AGE_S_MAX = 10.0
"""A sync ends in milliseconds, on a busy disk in seconds, or with an error; one that does none of it hangs."""


@dataclass(frozen=True, slots=True)
class Proof:
    """Ages of the newest signs of life of one station.

    Attributes:
        fixture: whose they are.
        frame_age_s: since a frame was written to the tape, or since the line was down, which is said elsewhere.
        sync_age_s: since a sync ended, well or with an error that was reported.
    """

    fixture: str
    frame_age_s: float
    sync_age_s: float

    @property
    def lacks(self) -> str:
        """What is missing, as a sentence; empty when the station lives. An error that was reported is a sign of life."""
        if self.frame_age_s > FRAME_AGE_S_MAX:
            return f"{self.fixture}: its line is up, and nothing was recorded for {quantity(self.frame_age_s, 's', digits=3)}"
        if self.sync_age_s > SYNC_AGE_S_MAX:
            return f"{self.fixture}: no sync of its tape has ended for {quantity(self.sync_age_s, 's', digits=3)}"
        return ""
