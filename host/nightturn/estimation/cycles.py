"""The estimator of one fixture: samples in, finished strokes and cycles out, everything up to the sums in integers."""

from collections.abc import Sequence

import msgspec

from nightturn.estimation.assembly import Assembly, CycleSums, phase_of
from nightturn.estimation.folds import BINS, LegSums, StrokeSums
from nightturn.estimation.phases import (
    CONFIRM_CELLS,
    LONG_GAP_CELLS,
    PhaseChange,
    ScanSettings,
    phase_beside,
    speeds_of,
)
from nightturn.estimation.scan import ENCODER_JUMPED, Piece, Scan, Stretch, before, encoder_jump, join
from nightturn.estimation.starts import Starts, StartSums
from nightturn.model.phases import EXERCISE, STAND
from nightturn.model.tiles import Tile

Event = CycleSums | StrokeSums | PhaseChange

MIN_LEG_BINS = BINS // 16
"""A pass shorter than a sixteenth of a turn says nothing and is dropped: somebody jogged the shaft."""
FOLD_SAMPLES = 4000
"""So many samples are folded at once: a fold's cost is in its calls, and sums of integers do not depend on it."""
READINGS_WAITING = 4096
"""Readings of slow channels, of all roles at once, that wait for the samples beside them: a tile's, and of minutes without samples."""
STROKE_TEMPERATURE_ROLES = ("bearing", "housing", "winding")


class Estimator(msgspec.Struct):
    """Scan, folds and the cycle in the making; the whole state can be encoded.

    A cell of the grid counts only when it and both its neighbours are on the commanded speed, so that no ramp reaches
    a fold; `held` carries the cells that wait for their neighbour, at most `CONFIRM_CELLS`, a tile and `FOLD_SAMPLES`. `readings` are
    temperatures that came before a sample (epoch, index) that the scan has not reached: whichever cycle that sample is found to
    end or to be in has them, however the samples were cut into tiles. `beside` are phase and number of the last stroke beside the cycles;
    `waited` is whether the plan may have waited for a person since, so that the temperatures of that time are no cycle's.
    """

    settings: ScanSettings
    scan: Scan
    assembly: Assembly
    starts: Starts
    phase: str = STAND
    epoch: int = -1
    next_index: int = -1
    tick_zero: tuple[int, int] = (0, 1)
    direction: int = 0
    origin: int = 0
    blocked: bool = False
    streak: int = 0
    speeds: int = 0
    held: list[Piece] = []
    edge_index: int = 0
    leg: LegSums | None = None
    stroke: StrokeSums | None = None
    folded_index: int = -1
    folded_raw: int = 0
    readings: list[tuple[int, int, list[tuple[str, int]]]] = []
    beside: tuple[str, int] = ("", 0)
    waited: bool = False

    @classmethod
    def start(cls, settings: ScanSettings, cycle_no: int) -> "Estimator":
        """An estimator that has seen nothing; its first cycle has this number."""
        return cls(
            settings=settings,
            scan=Scan(settings),
            assembly=Assembly(settings, cycle_no),
            starts=Starts.of_cells(settings.cell_samples),
        )

    def warm(self, readings: Sequence[tuple[str, int]], epoch: int = -1, index: int = -1) -> None:
        """Take readings of slow channels, by role in thousandths of a degree; the cycle keeps the mean by role.

        They came before the sample with this index; -1 for the next behind those that were added.
        """
        place = (epoch, index) if index >= 0 else (self.epoch, self.next_index)
        self.readings.append((*place, list(readings)))
        if len(self.readings) > READINGS_WAITING:
            self.assembly.warm(self.readings.pop(0)[2])

    def add(self, tile: Tile) -> list[Event]:
        """Take the next samples; returns what they finished, in the order in which it finished.

        Samples that were seen already are dropped; an index that jumps ahead is a gap; another epoch interrupts.
        """
        out: list[Event] = []
        if tile.epoch != self.epoch:
            if self.epoch >= 0:
                out += self.interrupt("the device or the host restarted")
            self.epoch, self.next_index = tile.epoch, -1
            self._warm_until(-1)
            self.direction = 0
            self.scan.reset()
            self.starts.reset()
        if self.next_index >= 0:
            if tile.end <= self.next_index:
                return out
            if tile.index < self.next_index:
                tile = tile.part(self.next_index, tile.end)
            elif tile.index > self.next_index:
                out += self.gap(self.next_index, tile.index)
        self.tick_zero = (tile.tick - tile.index * tile.ticks_per_sample, tile.ticks_per_sample)
        self.next_index = tile.end
        for stretch in self.scan.add(tile):
            self._stretch(stretch, out)
            self.starts.add(stretch)  # behind it, so that a pass that ends here takes its own start
        self._warm_until(self.scan.grid_index)  # nothing can end before the last grid point any more
        if sum(len(piece.raw) for piece in self.held) >= FOLD_SAMPLES:
            self._flush()
        return out

    def gap(self, index_from: int, index_to: int) -> list[Event]:
        """Note that the samples with index in [from, to) will never come.

        Whether a leg survives is decided by the encoder on the far side: a gap across which the mean speed stayed the
        commanded one costs coverage only.
        """
        start = max(index_from, self.next_index)
        if index_to > start:
            if self._open is not None or self.assembly.legs or self.assembly.strokes:
                self.assembly.lost(start, index_to)
            self.next_index = index_to
        return []

    def interrupt(self, reason: str) -> list[Event]:
        """End what is open as incomplete; nothing opens again before a standstill or a reversal."""
        out: list[Event] = []
        self.waited = self.settings.parks
        self._break(reason, max(self.next_index, 0), out)
        return out

    def _break(self, reason: str, index: int, out: list[Event]) -> None:
        """`interrupt` as seen at a sample."""
        self._warm_until(index)
        self._close(out)
        out += self.assembly.close(self.epoch, self.tick_zero, reason)
        self.blocked = True
        self._enter(STAND, index, out)

    @property
    def _open(self) -> LegSums | StrokeSums | None:
        return self.leg if self.leg is not None else self.stroke

    def _stretch(self, s: Stretch, out: list[Event]) -> None:
        """Take one stretch: cell by cell until nothing can change inside it any more, then the rest at once."""
        count = len(s.encoders) - 1
        if count == 1:
            self._cell(s, out)
            return
        length = self.settings.cell_samples * s.cells
        for i in range(count):
            start = s.start + i * length
            if self._at_once(s.code):
                if s.code:
                    rest = [t.part(start, t.end) for t in s.samples]
                    self._on_speed(Stretch(s.code, s.cells, start, s.encoders[i:], rest), count - i)
                return
            part = [t.part(start, start + length) for t in s.samples]
            self._cell(Stretch(s.code, s.cells, start, s.encoders[i : i + 2], part), out)

    def _at_once(self, code: int) -> bool:
        """Whether any number of cells with this code leaves things as they are: standing on, or a leg that goes on."""
        if code == 0:
            return self.direction == 0 and not self.blocked and self.phase == STAND
        sign = 1 if code > 0 else -1
        return self._open is not None and sign == self.direction and bool(speeds_of(code) & self.speeds)

    def _cell(self, s: Stretch, out: list[Event]) -> None:
        """One step of the scan: standstill, reversal, speed, confirmation."""
        if self.readings:
            self._warm_until(s.start)
        sign = (s.code > 0) - (s.code < 0)
        speeds = speeds_of(s.code)
        goes_on = sign == self.direction and bool(speeds & self.speeds)
        jump = 0 if self.leg is None or goes_on else encoder_jump(s, self.settings)
        if jump:
            self._break(
                f"{ENCODER_JUMPED} {jump} counts at sample {s.start} or up to 50 ms later", s.start, out
            )
            return
        if sign == 0:
            self._close(out)
            self.direction, self.blocked = 0, False
            self._enter(STAND, s.start, out)
            return
        if s.cells > LONG_GAP_CELLS and not speeds & self.speeds:
            self._close(out)
            self.direction = 0
            return
        if sign != self.direction:
            self._close(out)
            self.blocked = self.blocked and self.direction == 0
            self.direction, self.origin = sign, int(s.encoders[0])
        if self.blocked:
            return
        if self._open is None and not self._may_count(s, speeds):
            return
        if speeds & self.speeds:
            self._on_speed(s, 1)
            if self._open is None and self.streak >= CONFIRM_CELLS:
                self._begin(out)
        else:
            self._off_speed()

    def _may_count(self, s: Stretch, speeds: int) -> bool:
        """Before a leg is open: leave out the exclusion zone and settle which commanded speed this is."""
        if abs(int(s.encoders[0]) - self.origin) < self.settings.exclusion_counts or not speeds:
            self._off_speed()
            return False
        if self.streak and not speeds & self.speeds:
            self._off_speed()
        self.speeds = speeds & self.speeds if self.streak else speeds
        return True

    def _on_speed(self, s: Stretch, count: int) -> None:
        """Count cells on speed and hold their samples until the neighbour is known."""
        length = self.settings.cell_samples * s.cells
        end = s.start + count * length
        samples = s.samples
        if self.streak == 0:  # its predecessor was off speed
            _, samples = before(samples, s.start + length)
        self.streak += count
        if samples:
            self.held.extend(samples)
        if self.streak > 1:
            self.edge_index = end - length

    def _off_speed(self) -> None:
        """A cell off speed: it and its neighbours are left out."""
        if self.streak:
            self._flush()
            if self.stroke is not None and self.stroke.index_first < 0:
                self._fold(self.edge_index)  # so short that nothing else is left
            self.held = []
            self.streak = 0

    def _begin(self, out: list[Event]) -> None:
        """Open a leg or a stroke with what is held."""
        apart = phase_beside(self.speeds)
        stroke = bool(apart) or self.assembly.is_stroke(self.speeds)
        if apart or self.assembly.begins_anew(stroke=stroke):
            out += self.assembly.close(self.epoch, self.tick_zero)
        opening = self.held[0]
        if stroke:
            _, self.held = before(self.held, opening.first + self.settings.cell_samples)
            self.stroke = StrokeSums(
                epoch=self.epoch,
                cycle_no=0 if apart else self.assembly.cycle_no,
                stroke_no=self._beside_no(apart) if apart else self.assembly.strokes + 1,
                direction=self.direction,
                rail_low=self.settings.rail_low,
                rail_high=self.settings.rail_high,
                phase=apart or EXERCISE,
            )
            self._enter(phase_of(self.stroke), opening.first, out)
            return
        self.beside = ("", 0)
        if self.waited:
            self.waited = False
            self.assembly.forget_beside()
        early, _ = before(self.held, self.edge_index)
        n = sum(len(t.raw) for t in early)
        total = sum(int(t.raw.sum(dtype="int64")) for t in early)
        kind = self.assembly.kind(self.speeds, n, total)
        self.leg = LegSums.start(
            self.settings, kind, self.direction, self.speeds, opening.first, int(opening.encoder[0])
        )
        self._enter(kind, opening.first, out)

    def _flush(self) -> None:
        """Fold what is held, up to the last cell, whose neighbour is not known yet."""
        # What a fast stroke still gains or loses of its speed weighs on its mean by the whole inertia: a cell more is left out.
        self._fold(self.edge_index - (0 if self.stroke is None else self.settings.cell_samples))

    def _fold(self, index: int) -> None:
        """Fold what is held and lies before this sample."""
        if self._open is None or not self.held:
            return
        early, self.held = before(self.held, index)
        for piece in join(early):
            if self.leg is not None:
                known = self.folded_raw if self.folded_index == piece.first - 1 else None
                self.leg.add(piece.first, piece.raw, piece.encoder, piece.flags, known)
                self.folded_index, self.folded_raw = piece.end - 1, int(piece.raw[-1])
            elif self.stroke is not None:
                self.stroke.add(piece.first, piece.raw, piece.encoder)

    def _close(self, out: list[Event]) -> None:
        """End the leg or stroke that is open, if any."""
        self._off_speed()
        leg, stroke = self.leg, self.stroke
        self.leg = self.stroke = None
        self.folded_index = -1
        if leg is not None:
            travel = abs(leg.encoder_last - leg.encoder_first) * BINS
            if travel >= MIN_LEG_BINS * self.settings.counts_per_rev:
                start = self.starts.taken(leg.direction)
                out += self.assembly.take_leg(leg, self.epoch, self.tick_zero, start)
            else:
                self.assembly.short_passes += 1
        elif stroke is not None:
            start = self.starts.taken(stroke.direction)
            cycles = self._count(stroke, start)
            base, per_sample = self.tick_zero
            stroke.tick_first = base + stroke.index_first * per_sample
            stroke.tick_last = base + stroke.index_last * per_sample
            stroke.temperature_milli_degc = self._stroke_temperature()
            out.append(stroke)
            out += cycles

    def _beside_no(self, phase: str) -> int:
        """The number of the next stroke of this phase, counted from the last pass or stroke of another one."""
        before, stroke_no = self.beside
        return stroke_no + 1 if before == phase else 1

    def _count(self, stroke: StrokeSums, start: StartSums | None) -> list[CycleSums]:
        """Add a stroke that has ended to its cycle; one beside the cycles leaves none of what it brought to the next."""
        if stroke.phase == EXERCISE:
            return self.assembly.take_stroke(stroke, self.epoch, self.tick_zero, start)
        self.beside = (stroke.phase, stroke.stroke_no)
        self.assembly.forget_beside()
        return []

    def _warm_until(self, index: int) -> None:
        """Give the cycle the readings that came before this sample, those of earlier epochs included."""
        waiting, place = self.readings, (self.epoch, index)
        count = 0
        while count < len(waiting) and waiting[count][:2] <= place:
            self.assembly.warm(waiting[count][2])
            count += 1
        if count:
            del waiting[:count]

    def _stroke_temperature(self) -> int | None:
        """The latest reading nearest to the bearing that the scan has reached."""
        latest = self.assembly.latest_temperatures
        return next((latest[role] for role in STROKE_TEMPERATURE_ROLES if role in latest), None)

    def _enter(self, phase: str, index: int, out: list[Event]) -> None:
        """Report a phase when it is another one."""
        if phase != self.phase:
            self.phase = phase
            out.append(PhaseChange(phase, index))
