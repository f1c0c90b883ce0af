"""The plant: raw torque counts and encoder counts of any stretch of samples, in closed form.

Measured torque is what the actuator exerts, positive in the declared sense: cogging + S·(1 + ripple) - friction - J·α.
At positive speed friction makes the mean negative. Every sample depends on its index, on the commands and on the
indices at which they took effect, and on nothing else; how a night is cut into calls changes no count.
"""

import math
from collections import OrderedDict

import numpy as np
import numpy.typing as npt

from nightturn.virtual import orders as order_tables
from nightturn.virtual.condition import CHIP_RAD, CHIP_WIDTH_RAD, SPALL_WIDTH_RAD, STEP_S, Condition, Work
from nightturn.virtual.friction import PRESLIDING_LENGTHS, presliding, steady_force
from nightturn.virtual.motion import Course, Piece
from nightturn.virtual.noise import PAGE, PAGE_BITS, Cable, Noise
from nightturn.virtual.orders import TABLE_POINTS, Wave
from nightturn.virtual.products import RAIL_HIGH, RAIL_LOW, VOLTS_PER_COUNT, Product

Floats = npt.NDArray[np.float64]
Int32s = npt.NDArray[np.int32]
Int64s = npt.NDArray[np.int64]
WAVES_KEPT = 10
RATE_DIGITS = 9  # a ramp's end and the cruise after it are one speed
CELL_MASK = TABLE_POINTS - 1
_STEPS = np.arange(PAGE, dtype=np.float64)


def cells_of(position: Floats) -> tuple[Int64s, Floats]:
    """Table cells of positions given in cells, and the part beyond them."""
    whole = np.floor(position)
    rest = position - whole
    return whole.astype(np.int64) & CELL_MASK, rest


class Plant:
    """Unit, rig and bridge of one fixture.

    Attributes:
        index: the next sample.
        drive: the turning drive's course, counts.
        torque: the actuator's set torque, N·m.
        cable: an intermittent cable from `cable_from` on, None while it is sound.
        shunt, shorted: the relays.
        shunt_size: the shunt's step in terms of what it should be.
        polarity: -1 when the bridge is wired the other way round.
        encoder_sense: -1 when the encoder counts against the drive; the sampler turns the counts of `generate` round.
        extremes: lowest and highest torque count of the last `generate`.
    """

    def __init__(
        self, product: Product, noise: Noise, *, rate_hz: int, strokes: float, polarity: int, position: float
    ) -> None:
        self.product = product
        self.condition = Condition(product, strokes)
        self.index = 0
        self.drive = Course(position)
        self.torque = Course(0.0)
        self.cable: Cable | None = None
        self.cable_from = 0
        self.shunt = False
        self.shunt_size = 1.0
        self.shorted = False
        self.polarity = polarity
        self.encoder_sense = 1
        self.extremes = (0, 0)
        self.rate_hz = 0
        self._noise = noise
        self._cell = TABLE_POINTS / product.counts_per_rev
        self._scale = polarity * product.counts_per_nm
        self._waves: OrderedDict[tuple[float, float, float], Wave] = OrderedDict()
        self._pulse = Wave.of(order_tables.pulse(0.0, SPALL_WIDTH_RAD))
        self._chip = Wave.of(order_tables.slot_passes(product.slots, CHIP_RAD, CHIP_WIDTH_RAD))
        self._levels = self.condition.levels()
        self._origin = position  # counts where the last reversal or start was
        self._held_nm = 0.0  # friction held there
        self._entered: Piece = self.drive.piece(0)
        self._travel_from = 0
        self._travel_counts = 0.0
        self.set_rate(rate_hz)

    # ---- time -------------------------------------------------------------------------------------------------

    def set_rate(self, rate_hz: int) -> None:
        """Sampling rate from the next sample on; the drive has to stand."""
        if rate_hz == self.rate_hz:
            return
        self.rate_hz = rate_hz
        self._noise.set_rate(rate_hz)
        self._next_step = self.index + STEP_S * rate_hz
        self._rad_s = math.tau / self.product.counts_per_rev * rate_hz
        self._lag = self.product.bridge.delay_s * rate_hz

    @property
    def position_counts(self) -> int:
        """Where the shaft stands at the next sample, unwrapped."""
        return math.floor(self.drive.piece(self.index).value(self.index))

    def speed_rad_s(self, index: int) -> float:
        """Speed of the drive at a sample."""
        return self.drive.piece(index).rate_at(index) * self._rad_s

    def per_sample(self, speed_rad_s: float) -> float:
        """Counts per sample of a speed."""
        return speed_rad_s / self._rad_s

    def generate(self, stop: int) -> tuple[Int32s, Int64s]:
        """Raw torque and encoder counts of the samples from `index` up to `stop`; `index` moves on."""
        start = self.index
        raw = np.empty(stop - start, np.int32)
        encoder = np.empty(stop - start, np.int64)
        while self.index < stop:
            first = self.index
            if first >= self._next_step:
                self._slow_step()
            piece, level = self.drive.piece(first), self.torque.piece(first)
            if piece is not self._entered:
                self._enter(piece)
            page_end = ((first >> PAGE_BITS) + 1) << PAGE_BITS
            last = min(stop, piece.stop, level.stop, self._next_step, page_end)
            part = slice(first - start, last - start)
            if piece.moving:
                last = self._turning(first, last, piece, level, raw[part], encoder[part])
            else:
                self._standing(first, last, piece, level, raw[part])
                encoder[part] = math.floor(piece.start_value)
            self.index = last
        if stop > start:
            self._stop_at_the_rails(raw)
            if self.cable is not None:
                self._open_bridge(start, stop, raw)
        return raw, encoder

    def _stop_at_the_rails(self, raw: Int32s) -> None:
        """The converter ends at its rails; far below what an int32 holds."""
        low, high = int(raw.min()), int(raw.max())
        if low < RAIL_LOW or high > RAIL_HIGH:
            np.clip(raw, RAIL_LOW, RAIL_HIGH, out=raw)
        self.extremes = (max(low, RAIL_LOW), min(high, RAIL_HIGH))

    # ---- what happens between pieces ------------------------------------------------------------------------------

    def _enter(self, piece: Piece) -> None:
        """A new piece of the drive's course begins: friction remembers where motion stopped or turned."""
        old = self._entered
        self._account(piece.start)
        if old.moving and piece.rate == 0.0:
            at = np.array([piece.start_value])
            self._held_nm = float(self._friction(at, np.zeros(1), old.sense)[0])
            self._origin = piece.start_value
        self._entered = piece

    def _account(self, index: int) -> None:
        """Add the travel of the piece under way up to `index`."""
        piece = self._entered
        if piece.moving:
            self._travel_counts += abs(piece.value(index) - piece.value(max(self._travel_from, piece.start)))
        self._travel_from = index

    def _slow_step(self) -> None:
        self._account(self._next_step)
        travel_rad = self._travel_counts * math.tau / self.product.counts_per_rev
        mean_speed = travel_rad / STEP_S
        torque = self.torque.piece(self._next_step).value(self._next_step)
        friction = self._levels.running_nm(self.product, mean_speed)
        self.condition.step(Work(travel_rad, friction, torque))
        self._levels = self.condition.levels()
        self._travel_counts = 0.0
        self._next_step += STEP_S * self.rate_hz

    # ---- the samples of one stretch -----------------------------------------------------------------------------

    def _standing(self, first: int, last: int, piece: Piece, level: Piece, raw: Int32s) -> None:
        position = np.array([piece.start_value * self._cell])
        cell, rest = cells_of(position)
        cogging = float(self._wave(0.0, 0.0).at(cell, rest)[0])
        ripple = float(self._ripple(0.0).at(cell, rest)[0])
        cogging += float(self._chip.at(cell, rest)[0]) * self._levels.chip_nm * self._scale
        constant = cogging - self._held_nm * self._scale + self._offset()
        samples = self._noise_of(first, last)
        if level.moving:
            torque = level.start_value + level.rate * (_STEPS[: last - first] + float(first - level.start))
            samples = samples + torque * (self._scale + ripple) + constant
        else:
            samples = samples + (level.start_value * (self._scale + ripple) + constant)
        _convert(samples, raw)

    def _turning(
        self, first: int, last: int, piece: Piece, level: Piece, raw: Int32s, encoder: Int64s
    ) -> int:
        """Fill a stretch while the drive turns; returns where it ended, sooner where presliding ends."""
        sliding = self._in_presliding(piece, first)
        if sliding:
            last = self._presliding_end(piece, first, last)
            raw, encoder = raw[: last - first], encoder[: last - first]
        k = _STEPS[: last - first] + float(first - piece.start)
        position = k * piece.rate
        position += piece.start_value
        if piece.acceleration:
            position += (0.5 * piece.acceleration) * (k * k)
            speed = piece.rate + piece.acceleration * k
            seen = (position - self._lag * speed) * self._cell
        else:
            speed = None
            seen = position * self._cell
            seen -= self._lag * piece.rate * self._cell
        encoder[:] = np.floor(position)
        cell, rest = cells_of(seen)
        samples = self._periodic(piece, level, k, cell, rest)
        samples += self._resisting(piece, position, speed, sliding=sliding)
        if self._levels.spall_nm:
            samples += self._spall(seen, piece)
        if self._levels.chip_nm:
            samples += self._chip.at(cell, rest) * (self._levels.chip_nm * self._scale)
        samples += self._noise_of(first, last)
        _convert(samples, raw)
        return last

    def _periodic(self, piece: Piece, level: Piece, k: Floats, cell: Int64s, rest: Floats) -> Floats:
        """Cogging, set torque and its ripple; between two speeds the waves of both are blended."""
        set_nm = 0.0 if level.moving else level.start_value
        before = round(piece.rate, RATE_DIGITS)
        after = round(piece.rate_at(piece.stop), RATE_DIGITS) if piece.acceleration else before
        samples = self._wave(after, set_nm).at(cell, rest)
        if before != after:
            share = 1.0 - k * (1.0 / (piece.stop - piece.start))
            samples += (self._wave(before, set_nm).at(cell, rest) - samples) * share
        if level.moving:
            first = float(piece.start - level.start)
            torque = level.start_value + level.rate * (k + first)
            samples += torque * (self._scale + self._ripple(after).at(cell, rest))
        elif set_nm:
            samples += set_nm * self._scale
        return samples

    def _resisting(
        self, piece: Piece, position: Floats, speed: Floats | None, *, sliding: bool
    ) -> Floats | float:
        """Friction, inertia and zero in counts, a number where they are constant."""
        sign, constant = piece.sense, self._offset()
        if speed is None and not sliding:
            return constant - sign * self._cruising(piece.rate * self._rad_s) * self._scale
        alpha = piece.acceleration * self._rad_s * self.rate_hz
        speeds = np.full(len(position), piece.rate) if speed is None else speed
        force = (
            self._friction(position, speeds * self._rad_s, sign)
            if sliding
            else sign * self._steady(speeds * self._rad_s)
        )
        return (force + self.product.inertia_kg_m2 * alpha) * -self._scale + constant

    def _steady(self, speed_rad_s: Floats) -> Floats:
        levels = self._levels
        parts = self.product.friction
        return steady_force(
            speed_rad_s, levels.coulomb_nm, levels.static_nm, parts.stribeck_rad_s, self._drag_nm_s()
        )

    def _cruising(self, speed_rad_s: float) -> float:
        """`_steady` of one speed."""
        levels = self._levels
        ratio = speed_rad_s / self.product.friction.stribeck_rad_s
        surplus = (levels.static_nm - levels.coulomb_nm) * math.exp(-ratio * ratio)
        return levels.coulomb_nm + surplus + self._drag_nm_s() * abs(speed_rad_s)

    def _drag_nm_s(self) -> float:
        return self._levels.viscous_nm_s + (self.product.short_drag_nm_s if self.shorted else 0.0)

    def _friction(self, position: Floats, speed_rad_s: Floats, sign: float) -> Floats:
        travel = (position - self._origin) * (math.tau / self.product.counts_per_rev)
        return presliding(
            travel,
            sign * self._steady(speed_rad_s),
            self._held_nm,
            self.product.friction.bristle_nm_per_rad,
            self._levels.coulomb_nm,
        )

    def _in_presliding(self, piece: Piece, index: int) -> bool:
        length_rad = self._levels.coulomb_nm / self.product.friction.bristle_nm_per_rad
        zone = PRESLIDING_LENGTHS * length_rad * self.product.counts_per_rev / math.tau
        return abs(piece.value(index) - self._origin) < zone

    def _presliding_end(self, piece: Piece, first: int, last: int) -> int:
        """The first sample from `first` on that has left presliding, at most `last`."""
        low, high = first, last
        while high - low > 1:
            middle = (low + high) // 2
            if self._in_presliding(piece, middle):
                low = middle
            else:
                high = middle
        return high

    def _spall(self, seen: Floats, piece: Piece) -> Floats:
        """Pulses of a bearing defect; they oppose motion and come as late as all torque (`seen` is in cells)."""
        cell, rest = cells_of(seen * self.product.bearing_order)
        return self._pulse.at(cell, rest) * (-piece.sense * self._levels.spall_nm * self._scale)

    def _offset(self) -> float:
        shunt_v = self.product.bridge.shunt_v * self.shunt_size if self.shunt else 0.0
        return (self._levels.zero_v + shunt_v) / VOLTS_PER_COUNT

    # ---- tables and noise ---------------------------------------------------------------------------------------

    def _wave(self, rate: float, set_nm: float) -> Wave:
        """Cogging plus the ripple at a set torque, counts, as seen at a speed in counts per sample."""
        return self._table((rate, set_nm, self._levels.stiffness))

    def _ripple(self, rate: float) -> Wave:
        """Ripple alone for 1 N·m, counts."""
        return self._table((rate, math.inf, self._levels.stiffness))

    def _table(self, key: tuple[float, float, float]) -> Wave:
        wave = self._waves.get(key)
        if wave is None:
            rate, set_nm, left = key
            speed = rate * self._rad_s
            ripple = order_tables.phasors(self.product, self.product.ripple, speed, left)
            if math.isinf(set_nm):
                terms = ripple
            else:
                terms = order_tables.phasors(self.product, self.product.cogging, speed, left)
                for order, term in ripple.items():
                    terms[order] = terms.get(order, 0j) + set_nm * term
            wave = Wave.of_terms(terms, self._scale)
            self._waves[key] = wave
            if len(self._waves) > WAVES_KEPT:
                self._waves.popitem(last=False)
        else:
            self._waves.move_to_end(key)
        return wave

    def _noise_of(self, first: int, last: int) -> Floats:
        offset = first & (PAGE - 1)
        return self._noise.page(first >> PAGE_BITS)[offset : offset + last - first]

    def _open_bridge(self, start: int, stop: int, raw: Int32s) -> None:
        """Put the stretches of an open bridge at the positive rail."""
        assert self.cable is not None
        for page in range((start >> PAGE_BITS) - 1, ((stop - 1) >> PAGE_BITS) + 1):
            for first, last in self.cable.stretches(page, self.rate_hz):
                if first >= self.cable_from and first < stop and last > start:
                    raw[max(first, start) - start : last - start] = RAIL_HIGH
                    self.extremes = (self.extremes[0], RAIL_HIGH)


def _convert(samples: Floats, raw: Int32s) -> None:
    """Round to counts."""
    np.rint(samples, out=samples)
    raw[:] = samples
