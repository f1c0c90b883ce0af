"""Which phase a leg is and when a cycle ends: from speed class, sequence and mean torque, never from commands."""

import hashlib
from collections.abc import Sequence

import msgspec
import numpy as np

from nightturn.estimation.folds import LegSums, StrokeSums
from nightturn.estimation.phases import EXERCISE_SPEED, HOLD_SPEED, SLOW_SPEED, ScanSettings
from nightturn.estimation.starts import StartSums
from nightturn.model.phases import HOLD, SLOW_TURN

HOLES_KEPT = 5
"""Gaps of a cycle that are told one by one; the rest only count."""
STROKES_KEPT = 64
"""Strokes of a cycle whose sums figures are made of: the first, nearest to the slow passes in time."""
STARTS_KEPT = 16
"""Starts of a cycle that are kept: the first."""


class CycleSums(msgspec.Struct):
    """One cycle as exact sums: what `finish` makes figures of.

    Attributes:
        direction: sense of the encoder counts in which the cycle began.
        legs: the slow passes and the hold, in the order in which they ended.
        strokes: strokes that ended in this cycle; stroke_sums: the first of them.
        starts: starts from rest of the first unpowered passes.
        temperatures: role -> (number, sum of milli degrees Celsius) since the cycle before; temperature_ends: lowest and
            highest of them.
        missing: samples that were lost while the cycle ran.
        holes: (from, to) sample numbers of the first few gaps.
        short_passes: passes that were left out because they turned too little to say anything.
        unheld: samples and Σ raw of the pass that came where the hold was due and had too little torque for one; zeros without.
        complete: everything planned is there and nothing broke in; otherwise `reasons` says what is not.
    """

    cycle_no: int
    direction: int
    epoch: int
    legs: tuple[LegSums, ...]
    strokes: int
    temperatures: dict[str, tuple[int, int]]
    index_first: int
    index_last: int
    tick_first: int
    tick_last: int
    missing: int
    reasons: tuple[str, ...]
    complete: bool
    short_passes: int = 0
    holes: tuple[tuple[int, int], ...] = ()
    temperature_ends: dict[str, tuple[int, int]] = {}
    unheld: tuple[int, int] = (0, 0)
    stroke_sums: tuple[StrokeSums, ...] = ()
    starts: tuple[StartSums, ...] = ()

    def sha256(self) -> str:
        """Digest over all integer sums in canonical order; the same on every machine and for every split."""
        digest = hashlib.sha256(np.array((self.direction, self.strokes, len(self.legs)), "<i8").tobytes())
        for leg in self.legs:
            for part in leg.canonical():
                digest.update(part)
        if self.unheld[0]:
            digest.update(np.array(self.unheld, "<i8").tobytes())
        for stroke in self.stroke_sums:
            digest.update(stroke.canonical())
        for start in self.starts:
            digest.update(start.canonical())
        return digest.hexdigest()


class Assembly(msgspec.Struct):
    """The cycle that is being put together."""

    settings: ScanSettings
    cycle_no: int
    legs: list[LegSums] = []
    stroking: bool = False
    strokes: int = 0
    temperatures: dict[str, tuple[int, int]] = {}
    latest_temperatures: dict[str, int] = {}
    temperature_ends: dict[str, tuple[int, int]] = {}
    index_first: int = -1
    index_last: int = -1
    missing: int = 0
    short_passes: int = 0
    holes: list[tuple[int, int]] = []
    reasons: list[str] = []
    unheld: tuple[int, int] = (0, 0)
    stroke_sums: list[StrokeSums] = []
    starts: list[StartSums] = []

    def warm(self, readings: Sequence[tuple[str, int]]) -> None:
        """Take readings of slow channels, by role in thousandths of a degree, into the cycle's means."""
        sums, all_ends = self.temperatures, self.temperature_ends
        self.latest_temperatures.update(readings)
        for role, milli_degc in readings:
            count, total = sums.get(role, (0, 0))
            sums[role] = (count + 1, total + milli_degc)
            ends = all_ends.get(role)
            if ends is None:
                all_ends[role] = (milli_degc, milli_degc)
            elif not ends[0] <= milli_degc <= ends[1]:  # seldom, of the readings ten times a second
                all_ends[role] = (min(ends[0], milli_degc), max(ends[1], milli_degc))

    def lost(self, index_from: int, index_to: int) -> None:
        """Note samples that will never come."""
        self.missing += index_to - index_from
        if self.holes and self.holes[-1][1] == index_from:
            self.holes[-1] = (self.holes[-1][0], index_to)
        elif len(self.holes) < HOLES_KEPT:
            self.holes.append((index_from, index_to))

    def is_stroke(self, speeds: int) -> bool:
        """Whether a leg at these speeds is a stroke, as far as speed and sequence tell before it has ended."""
        if not speeds & EXERCISE_SPEED or not self.settings.strokes_planned:
            return False
        slow_or_hold = speeds & (SLOW_SPEED | HOLD_SPEED)
        return self.stroking or not slow_or_hold or self._measured()

    def kind(self, speeds: int, n: int, raw_sum: int) -> str:
        """The phase of a leg that is not a stroke, from its speeds and its mean torque."""
        if not self.settings.hold_planned or not speeds & HOLD_SPEED:
            return SLOW_TURN
        if not speeds & SLOW_SPEED:
            return HOLD
        # Both may be planned at one speed; then only the torque tells them apart. It confirms, it never starts a leg:
        # cogging and friction make torque as well.
        loaded = abs(raw_sum - n * self.settings.zero_raw) > n * self.settings.hold_threshold_raw
        return HOLD if loaded else SLOW_TURN

    def begins_anew(self, *, stroke: bool) -> bool:
        """Whether a leg that opens now can only belong to the next cycle."""
        return self.stroking and not stroke

    def take_leg(
        self, leg: LegSums, epoch: int, tick_zero: tuple[int, int], start: StartSums | None = None
    ) -> list[CycleSums]:
        """Add a finished pass and its start; returns the cycles that it ends (the old one if it does not fit, its own if last)."""
        leg.kind = self.kind(leg.speeds, leg.n, leg.raw_sum)
        out = []
        if not self._fits(leg):
            if self._hold_due() and leg.speeds & HOLD_SPEED:
                self.unheld = leg.n, leg.raw_sum
            out += self.close(epoch, tick_zero)
        self.legs.append(leg)
        if leg.kind == SLOW_TURN:
            self._keep(start)
        self._span(leg.index_first, leg.index_last)
        if not self.settings.strokes_planned and self._measured():
            out += self.close(epoch, tick_zero)
        return out

    def take_stroke(
        self, stroke: StrokeSums, epoch: int, tick_zero: tuple[int, int], start: StartSums | None = None
    ) -> list[CycleSums]:
        """Add a finished stroke and its start; returns the cycle if it was the last one."""
        self.stroking = True
        self.strokes += 1
        stroke.cycle_no = self.cycle_no
        stroke.stroke_no = self.strokes
        if len(self.stroke_sums) < STROKES_KEPT:
            self.stroke_sums.append(stroke)
        if not self.settings.strokes_loaded:
            self._keep(start)
        self._span(stroke.index_first, stroke.index_last)
        if self.strokes >= self.settings.strokes_planned:
            return self.close(epoch, tick_zero)
        return []

    def close(self, epoch: int, tick_zero: tuple[int, int], reason: str = "") -> list[CycleSums]:
        """End the cycle here, complete or not; empty when nothing was measured."""
        if not self.legs and not self.strokes:
            self.missing = self.short_passes = 0
            self.holes = []
            return []
        reasons = [*self.reasons, *self._lacking()]
        if reason:
            reasons.insert(0, reason)
        base, per_sample = tick_zero
        cycle = CycleSums(
            cycle_no=self.cycle_no,
            direction=self._direction(),
            epoch=epoch,
            legs=tuple(self.legs),
            strokes=self.strokes,
            temperatures=self.temperatures,
            index_first=self.index_first,
            index_last=self.index_last,
            tick_first=base + self.index_first * per_sample,
            tick_last=base + self.index_last * per_sample,
            missing=self.missing,
            reasons=tuple(reasons),
            complete=not reasons,
            short_passes=self.short_passes,
            holes=tuple(self.holes),
            temperature_ends=self.temperature_ends,
            unheld=self.unheld,
            stroke_sums=tuple(self.stroke_sums),
            starts=tuple(self.starts),
        )
        self.cycle_no += 1
        self.legs, self.reasons, self.holes = [], [], []
        self.stroke_sums, self.starts = [], []
        self.temperatures, self.temperature_ends = {}, {}
        self.stroking, self.strokes, self.missing, self.short_passes = False, 0, 0, 0
        self.index_first = self.index_last = -1
        self.unheld = (0, 0)
        return [cycle]

    def forget_beside(self) -> None:
        """What was read and lost beside the cycles belongs to none of them; between passes of a cycle nothing is forgotten."""
        if not self.legs and not self.strokes:
            self.temperatures, self.temperature_ends = {}, {}
            self.missing, self.holes = 0, []

    def _keep(self, start: StartSums | None) -> None:
        if start is not None and len(self.starts) < STARTS_KEPT:
            self.starts.append(start)

    def _slow(self) -> list[LegSums]:
        return [leg for leg in self.legs if leg.kind == SLOW_TURN]

    def _holds(self) -> int:
        return sum(leg.kind == HOLD for leg in self.legs)

    def _measured(self) -> bool:
        """Everything before the exercise is there."""
        slow_done = not self.settings.slow_planned or len(self._slow()) >= self.settings.slow_legs
        return slow_done and (not self.settings.hold_planned or self._holds() > 0)

    def _hold_due(self) -> bool:
        """Whether the hold is what comes next."""
        slow_done = self.settings.slow_planned and len(self._slow()) >= self.settings.slow_legs
        return slow_done and self.settings.hold_planned and not self._holds() and not self.stroking

    def _fits(self, leg: LegSums) -> bool:
        """Whether the pass may follow what the cycle already has."""
        if self.stroking:
            return False
        if leg.kind == HOLD:
            return not self._holds()
        slow = self._slow()
        if self._holds() or len(slow) >= self.settings.slow_legs:
            return False
        # After lost samples the same sense twice means that the pass between them was lost, not that a cycle began.
        return not slow or slow[-1].direction != leg.direction or self.missing > 0

    def _lacking(self) -> list[str]:
        """Sentences on what the plan has and the cycle has not."""
        settings, out = self.settings, []
        if settings.slow_planned and len(self._slow()) < settings.slow_legs:
            out.append(f"{len(self._slow())} of {settings.slow_legs} slow passes were seen")
        if settings.hold_planned and not self._holds():
            out.append("the hold was not seen")
        if self.strokes < settings.strokes_planned:
            out.append(f"{self.strokes} of {settings.strokes_planned} strokes were seen")
        return out

    def _direction(self) -> int:
        """The sense in which the cycle began: that of the first slow pass, else of the first leg, else +1."""
        legs = self._slow() or self.legs
        return legs[0].direction if legs else 1

    def _span(self, first: int, last: int) -> None:
        if self.index_first < 0:
            self.index_first = first
        self.index_last = max(self.index_last, last)


def phase_of(leg: LegSums | StrokeSums) -> str:
    """The phase that an open leg belongs to."""
    return leg.phase if isinstance(leg, StrokeSums) else leg.kind
