"""Means over blocks of cycles of everything that is followed without being watched, in bounded memory, and their level and slope.

One rule for a run and for the store: the same cycles in the same order give the same blocks, whatever came between.
"""

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from nightturn.estimation.curves import ORDERS_MAX
from nightturn.estimation.fingerprint import one_blas_thread
from nightturn.estimation.least_squares import fit
from nightturn.estimation.quantiles import coverage_factor
from nightturn.evidence.cycle_values import Declared
from nightturn.model.figures import Curve
from nightturn.model.quantities import quantity
from nightturn.model.tiles import Float64s
from nightturn.model.trends import Rate, Rolled
from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.order_families import (
    STROKE_MEAN,
    STROKE_PEAK,
    STROKE_RMS,
    STROKES,
    Leg,
    amplitudes,
    families_of,
    titles_of,
)
from nightturn.trend.series import Series
from nightturn.trend.settled import breaks_of, hours_of
from nightturn.trend.slope import POINTS_MIN, Axis, Slope, Unknown, slope
from nightturn.trend.temperature import RANGE_MIN_K
from nightturn.trend.time_to_limit import words
from nightturn.trend.warmed import scatter_of, warmed

BLOCKS_MAX = 64
"""Of a series; of more, two neighbours become one, and blocks are twice as long from then on."""
GROWTH = 1.5
"""Estimates are made anew when there are so many times the cycles of the last ones."""
WAITING_MAX = 16
"""Cycles whose strokes are kept before their figures have come; four may wait."""
EVEN = 0.02
"""Of the time between two blocks: where strokes and hours run together as well as this, the slope along one is that along the other."""
FAINT = 2.0
"""Standard uncertainties of a block below which a family does not stand out of the noise."""
TOO_FAINT = "no slope: nothing lies above the noise; most blocks hold less than {}"
WENT_ALONG = ": temperature went along with it"
TOO_FEW = f"no slope: {{}} blocks, {POINTS_MIN} are wanted"


class Block(msgspec.Struct, frozen=True, array_like=True):
    """A mean over some cycles: when the first of them began, strokes before it and u, how many they are, and their temperature, NaN without."""

    ts: int
    strokes: float
    value: float
    u: float
    count: int
    degc: float = math.nan


class Track(msgspec.Struct):
    """One series in one direction; all its blocks but the last have `length` cycles."""

    figure: str
    direction: int
    blocks: list[Block] = []
    length: int = 1

    def add(self, ts: int, strokes: float, value: float, u: float, degc: float = math.nan) -> None:
        """One more cycle."""
        one = Block(ts, strokes, value, u, 1, degc)
        if self.blocks and self.blocks[-1].count < self.length:
            self.blocks = [*self.blocks[:-1], _mean(self.blocks[-1], one)]
            return
        if len(self.blocks) == BLOCKS_MAX:
            pairs = zip(self.blocks[::2], self.blocks[1::2], strict=True)
            self.blocks, self.length = [_mean(*pair) for pair in pairs], 2 * self.length
        self.blocks = [*self.blocks, one]


TRACKS = msgspec.msgpack.Decoder(list[Track])


class Stroke(NamedTuple):
    """One stroke of a cycle: its direction and N·m."""

    direction: int
    mean_nm: float
    peak_nm: float
    rms_nm: float


class Sums(msgspec.Struct, array_like=True):
    """Of the strokes of one cycle in one direction: how many; of mean, largest and rms torque the mean and the sum of squared deviations."""

    count: int = 0
    means: tuple[float, float, float] = (0.0, 0.0, 0.0)
    squares: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def add(self, stroke: Stroke) -> None:
        """One more (B. P. Welford, Technometrics 4, 1962, 419-420; from memory)."""
        self.count += 1
        values = (stroke.mean_nm, stroke.peak_nm, stroke.rms_nm)
        before, (a, b, c) = self.means, self.means
        x, y, z = values
        self.means = (a + (x - a) / self.count, b + (y - b) / self.count, c + (z - c) / self.count)
        grown = zip(self.squares, values, before, self.means, strict=True)
        first, second, third = (total + (value - was) * (value - now) for total, value, was, now in grown)
        self.squares = (first, second, third)

    def result(self) -> dict[str, tuple[float, float]]:
        """Mean and its standard uncertainty from the scatter, by name; nothing of one stroke alone."""
        if self.count < 2:
            return {}
        u = [math.sqrt(each / (self.count - 1) / self.count) for each in self.squares]
        return dict(zip((STROKE_MEAN, STROKE_PEAK, STROKE_RMS), zip(self.means, u, strict=True), strict=True))


class Rolling(msgspec.Struct):
    """Everything of a run that is followed without being watched.

    Attributes:
        tracks: by series and direction. cycles: complete ones so far, newest: the last of them; estimated_at: how many there were when estimates were asked for.
        strokes: sums of cycles whose figures have not come, by cycle, then direction.
        asked: the tracks that estimates are being made of, packed; empty while none are.
    """

    tracks: list[Track] = []
    cycles: int = 0
    estimated_at: int = 0
    newest: int = 0
    strokes: dict[int, dict[int, Sums]] = {}
    asked: bytes = b""

    def stroke(self, cycle_no: int, stroke: Stroke) -> None:
        """A stroke of this cycle has ended."""
        if cycle_no not in self.strokes:
            newest = sorted(self.strokes)[1 - WAITING_MAX :]
            self.strokes = {no: self.strokes[no] for no in newest} | {cycle_no: {}}
        self.strokes[cycle_no].setdefault(stroke.direction, Sums()).add(stroke)

    def cycle(
        self,
        cycle_no: int,
        ts: int,
        strokes: float,
        legs: Sequence[Leg],
        known: "Known",
        *,
        degc: float,
        complete: bool,
    ) -> None:
        """A cycle is finished; one that is not complete is left out, and so are its strokes."""
        sums = self.strokes.get(cycle_no, {})
        self.strokes = {no: each for no, each in self.strokes.items() if no > cycle_no}
        if not complete:
            return
        self.cycles, self.newest = self.cycles + 1, cycle_no
        values = amplitudes(known.families, legs)
        for direction, each in sums.items():
            values |= {(name, direction): value for name, value in each.result().items()}
        for (figure, direction), (value, u) in values.items():
            self.track(figure, direction).add(ts, strokes, value, u, degc)

    def track(self, figure: str, direction: int) -> Track:
        """That of a series, begun where there is none."""
        for each in self.tracks:
            if (each.figure, each.direction) == (figure, direction):
                return each
        self.tracks = [*self.tracks, Track(figure, direction)]
        return self.tracks[-1]

    def wants_estimates(self) -> bool:
        """Whether estimates are to be made behind the newest cycle; they count as asked for."""
        if self.cycles < max(POINTS_MIN, GROWTH * self.estimated_at):
            return False
        self.estimated_at = self.cycles
        return True

    def ask(self) -> None:
        """Estimates are asked for, of what there is now."""
        self.asked = msgspec.msgpack.encode(self.tracks)

    def answered(self) -> None:
        """They have come, or will not."""
        self.asked = b""


class Known:
    """What names the series of a unit on a rig: families of orders by what is declared, and what each series is called."""

    __slots__ = ("families", "titles")

    def __init__(self, declared: Declared, drive: tuple[int, int]) -> None:
        self.families = families_of(declared, drive, ORDERS_MAX)
        self.titles: Mapping[str, str] = titles_of(self.families)


def legs_of(curves: Sequence[Curve]) -> list[Leg]:
    """The curves of a record as what amplitudes are read from."""
    return [
        Leg(each.leg, each.direction, _unpacked(each.amplitude_nm), _unpacked(each.floor_nm))
        for each in curves
    ]


def estimated(packed: bytes) -> tuple[Rolled, ...]:
    """Level and slope of each of the packed tracks by its whole blocks, some 10 ms each."""
    tracks = TRACKS.decode(packed)
    with one_blas_thread():
        return tuple(_estimated(track) for track in tracks)


def _estimated(track: Track) -> Rolled:
    blocks = [each for each in track.blocks if each.count == track.length]
    newest = track.blocks[-1]
    found = Rolled(
        track.figure,
        track.direction,
        len(blocks),
        track.length,
        newest.value,
        newest.u,
        round(newest.strokes),
        degc=newest.degc if math.isfinite(newest.degc) else None,
    )
    if len(blocks) < POINTS_MIN:
        return msgspec.structs.replace(found, why_not=TOO_FEW.format(len(blocks)))
    series = _series(track, blocks)
    if track.figure not in STROKES and np.median(series.value) < FAINT * np.median(series.u):
        most = float(np.median(series.value) + FAINT * np.median(series.u))
        return msgspec.structs.replace(found, why_not=TOO_FAINT.format(quantity(most, series.unit, digits=2)))
    hours, pace = hours_of(series), _pace(series)
    axes = {Axis.STROKES: series.strokes} if pace else {Axis.STROKES: series.strokes, Axis.HOURS: hours}
    lines = [_line(series, at, axis) for axis, at in axes.items() if (np.diff(at) > 0).all()]
    slopes = [each for each in lines if isinstance(each, Slope)]
    if not slopes:
        why = next(
            (each for each in lines if isinstance(each, str)), "no slope: neither strokes nor hours pass"
        )
        return msgspec.structs.replace(found, why_not=why)
    best = slopes[0]
    rates = [Rate(each.axis.value, each.slope, each.slope_u, each.half_width) for each in slopes]
    if pace:
        rates.append(Rate(Axis.HOURS.value, best.slope / pace, best.slope_u / pace, best.half_width / pace))
    return msgspec.structs.replace(
        found,
        level=best.level,
        level_half=coverage_factor(best.nu) * best.level_u,
        rates=tuple(rates),
        warmed=warmed(series, axes[best.axis]) if _swayed(series) else None,
    )


def _swayed(series: Series) -> bool:
    """Whether temperature moved enough to stand beside the slope."""
    return bool(np.isfinite(series.degc).all()) and float(np.ptp(series.degc)) >= RANGE_MIN_K


def _pace(series: Series) -> float:
    """Hours a stroke where cycles follow each other evenly, so that one line is the other; 0 where it has to be fitted."""
    hours, strokes = hours_of(series), series.strokes
    if not (np.diff(strokes) > 0).all() or not (np.diff(hours) > 0).all():
        return 0.0
    first, pace = fit(
        np.column_stack((np.ones(len(hours)), strokes - strokes.mean())), hours, np.ones(len(hours))
    ).x
    off = np.abs(hours - first - pace * (strokes - strokes.mean())).max()
    return float(pace) if off <= EVEN * np.median(np.diff(hours)) else 0.0


def _line(series: Series, at: Float64s, axis: Axis) -> Slope | str:
    """The line along an axis, or why there is none, in words."""
    beside = series.degc if _swayed(series) else None
    try:
        found = slope(
            at, series.value, scatter_of(series), axis=axis, breaks=breaks_of(series), beside=beside
        )
    except UnusableSeriesError as error:
        return f"no slope: {error}"
    if isinstance(found, Slope):
        return found
    alike = beside is not None and found.why is Unknown.INSEPARABLE
    return words(found, series.unit) + (WENT_ALONG if alike else "")


def _series(track: Track, blocks: Sequence[Block]) -> Series:
    count = len(blocks)
    return Series(
        figure=track.figure,
        direction=track.direction,
        strokes=np.array([each.strokes for each in blocks], np.float64),
        ts=np.array([each.ts for each in blocks], np.int64),
        value=np.array([each.value for each in blocks], np.float64),
        u=np.array([each.u for each in blocks], np.float64),
        degc=np.array([each.degc for each in blocks], np.float64),
        stretch=np.zeros(count, np.int64),
        night=np.zeros(count, np.int64),
        cycle_no=np.zeros(count, np.int64),
        left_out=0,
    )


def _mean(first: Block, second: Block) -> Block:
    """Two neighbours as one, at the first of them."""
    count = first.count + second.count
    value = (first.value * first.count + second.value * second.count) / count
    strokes = (first.strokes * first.count + second.strokes * second.count) / count
    u = math.hypot(first.u * first.count, second.u * second.count) / count
    degc = (first.degc * first.count + second.degc * second.count) / count
    return Block(first.ts, strokes, value, u, count, degc)


def _unpacked(packed: bytes) -> Float64s:
    return np.frombuffer(packed, "<f4").astype(np.float64)
