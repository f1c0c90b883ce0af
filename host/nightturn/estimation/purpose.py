"""Whether a night's numbers may release a unit: what its card asks for, what is in order beside the cycles, and steady temperature.

Engineering is what holds where anything is amiss or not known; every reason is a sentence.
"""

import msgspec

from nightturn.model.figures import CycleRecord
from nightturn.model.purposes import ENGINEERING, RELEASE, Purpose
from nightturn.model.quantities import quantity

STEADY_K = 1.0
"""From cycle to cycle, K: what the budget of a figure assumes within a cycle at the most where no bridge temperature is measured."""
ROLES = ("bridge", "housing", "ambient", "bearing")
"""Whose temperature is looked at: the first that a cycle has."""
NOT_ASKED = "nobody asked for a release (`nightturn mount --purpose release`)"
NO_CYCLE = "no cycle is finished yet"
ONE_CYCLE = "it is of one cycle, so nothing says that the temperature was steady"


class Basis(msgspec.Struct, frozen=True):
    """What a release rests on beside the cycles, as the run was opened with it.

    Attributes:
        purpose: what the card asks for.
        lacks: what is not in order, a sentence each.
        ends: until when, ns since 1970 UTC, something is in order, and what is said of it afterwards.
    """

    purpose: Purpose = ENGINEERING
    lacks: tuple[str, ...] = ()
    ends: tuple[tuple[int, str], ...] = ()


class Steadiness(msgspec.Struct):
    """What the cycles of a run say of time and temperature; its size does not grow with them.

    Attributes:
        ts: when the newest ended, ns since 1970 UTC; 0 before one.
        cycles, measured: how many there were, and of how many a temperature is known.
        role, degc: of the newest temperature. step_k: the largest change between neighbours of one role, and step_at its cycle.
    """

    ts: int = 0
    cycles: int = 0
    measured: int = 0
    role: str = ""
    degc: float = 0.0
    step_k: float = 0.0
    step_at: int = 0

    def add(self, cycle: CycleRecord) -> None:
        """A finished cycle."""
        self.ts = max(self.ts, cycle.ts_end)
        self.cycles += 1
        role = next((each for each in ROLES if each in cycle.temperatures_degc), "")
        if not role:
            return
        degc, self.measured = cycle.temperatures_degc[role], self.measured + 1
        step = abs(degc - self.degc)
        if role == self.role and step > self.step_k:
            self.step_k, self.step_at = step, cycle.cycle_no
        self.role, self.degc = role, degc

    def lacks(self, cycles: int) -> tuple[str, ...]:
        """What of it keeps a night of so many cycles from being a release."""
        if not cycles:
            return (NO_CYCLE,)
        found = [ONE_CYCLE] if cycles == 1 else []
        if self.measured < cycles:
            found.append(
                f"of {cycles - self.measured} of {cycles} cycles no temperature is known, so nothing says that it was steady"
            )
        if self.step_k > STEADY_K:
            changed = quantity(self.step_k, "K", digits=2)
            found.append(
                f"the {self.role} temperature changed by {changed} up to cycle {self.step_at}; up to {quantity(STEADY_K, 'K')} a cycle is steady"
            )
        return tuple(found)


def purpose_of(basis: Basis, steadiness: Steadiness, cycles: int) -> tuple[Purpose, tuple[str, ...]]:
    """Release or engineering, and for engineering all reasons.

    Args:
        basis: what it rests on beside the cycles.
        steadiness: what the cycles say.
        cycles: that are counted for the verdict.
    """
    if basis.purpose != RELEASE:
        return ENGINEERING, (NOT_ASKED,)
    ended = tuple(said for until_ts, said in basis.ends if steadiness.ts > until_ts)
    because = (*basis.lacks, *ended, *steadiness.lacks(cycles))
    return (ENGINEERING if because else RELEASE), because
