"""What a unit's shaft has carried over its nights: torque cycles by range, overloads, time at each torque, from the stored samples."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from nightturn.calibration.torque import TorqueScale
from nightturn.errors import StorageError
from nightturn.storage import paths, scales
from nightturn.storage.reader import Run
from nightturn.trend.damage import (
    LINE_OF_USER,
    NO_LIFE,
    Damage,
    Scale,
    SnLine,
    miner_sum,
    relative_damage,
    repetitions,
)
from nightturn.trend.load_history import LoadHistory, LoadSettings
from nightturn.trend.rainflow import CLASSES, Classes
from nightturn.trend.starts import Starts
from nightturn.unit_history.life import Life
from nightturn.unit_history.nights import Night

GATE_SHARE = 0.005
"""Of the rated torque: a smaller movement is no load cycle (common practice, no source)."""
REACH = 1.25
"""Classes reach this far beyond the rated torque, to either side."""
SLOPE = 5.0
"""m of relative damage where no S-N line is given: steel in torsion, assumed (from memory), and said."""
TILE_S = 60.0


class LoadLine(msgspec.Struct, frozen=True):
    """What a unit has carried under one scale of its torque channel.

    Attributes:
        runs: of which it is the sum.
        hours: of samples; missing: samples that are not there.
        torque_min_nm, torque_max_nm: extremes.
        overloads: times that the rated torque was reached, to either side.
        cycles: (lowest range N·m, highest, cycles) of the ranges that occur, the largest first; half cycles count half.
        levels: (lowest torque N·m, highest, hours) of the torques that occur.
        crossings: (torque N·m, times that it rose through it, times that it fell).
        against_first: damage of the newest of its runs as a multiple of the first one's, with m; None with one run.
        damage: Miner's sum by the S-N line that was given; repetitions: how often all of it could be repeated by that.
        remarks: what a reader has to know.
        matrix: (lowest range N·m, highest, lowest mean N·m, highest, closed cycles) of the classes that occur; None for no bound. Half cycles are not in it.
        starts: times that the shaft began to turn behind a rest.
        strokes: of exercise; beside: strokes and hours of warm-up and soak by phase; park_stops: times that it was parked.
    """

    runs: tuple[str, ...]
    hours: float
    missing: int
    torque_min_nm: float
    torque_max_nm: float
    overloads: int
    cycles: tuple[tuple[float, float | None, float], ...]
    levels: tuple[tuple[float, float, float], ...]
    crossings: tuple[tuple[float, int, int], ...]
    against_first: Damage | None
    damage: Damage | None
    repetitions: float | None
    remarks: tuple[str, ...]
    matrix: tuple[tuple[float, float | None, float | None, float | None, int], ...]
    starts: int
    strokes: int
    beside: dict[str, tuple[int, float]]
    park_stops: int


@dataclass(frozen=True, slots=True)
class _Carried:
    """One run's history and scale."""

    run: str
    night: Night
    history: LoadHistory
    scale: TorqueScale
    starts: int


def loads_of(
    root: str | Path, found: Life, line: SnLine | None = None
) -> tuple[tuple[LoadLine, ...], tuple[str, ...]]:
    """The load history of a life, a line for each scale of the torque channel, and of which nights nothing is known and why."""
    carried: list[_Carried] = []
    unknown: list[str] = []
    for night in found.nights:
        try:
            carried.append(_of_night(Run(Path(root), night.place.fixture, night.run), night))
        except StorageError as error:
            unknown.append(f"{night.run}: {error}")
    groups: list[list[_Carried]] = []
    for each in carried:
        if (
            groups
            and groups[-1][0].history.settings == each.history.settings
            and groups[-1][0].scale == each.scale
        ):
            groups[-1].append(each)
        else:
            groups.append([each])
    return tuple(_line(group, line) for group in groups), tuple(unknown)


def _of_night(run: Run, night: Night) -> _Carried:
    """One run, read once.

    Raises:
        StorageError: it has no samples, or its scale changes within it.
    """
    chunks = run.chunks(paths.RAW)
    if not chunks:
        raise StorageError("no raw samples are stored")
    known = {scales.recorded_scale(each.plan) for each in chunks}
    if len(known) > 1:
        raise StorageError("the scale of the torque channel changes within the run")
    scale = known.pop()
    rated_nm, rate_hz = night.settings.variant.rated_torque_nm, night.settings.fixture.rate_hz
    history = LoadHistory.start(load_settings(scale, rated_nm, float(rate_hz)))
    starts = Starts.start(float(rate_hz), night.settings.fixture.encoder.counts_per_rev)
    place: tuple[int, int] | None = None
    for tile in run.tiles(TILE_S):
        gap = tile.index - place[1] if place is not None and place[0] == tile.epoch else 0
        history.add(tile.raw, missing=max(gap, 0))
        if place is None or place[0] != tile.epoch:
            starts.interrupt()
        starts.add(tile.index, tile.encoder)
        place = (tile.epoch, tile.end)
    return _Carried(run.run, night, history, scale, starts.count)


def load_settings(scale: TorqueScale, rated_nm: float, rate_hz: float) -> LoadSettings:
    """How torque counts are taken: classes over ±1.25 of the rated torque, a gate of half a per cent of it, overloads from it on."""
    per_nm = 1.0 / abs(scale.lsb_nm)
    reach = REACH * rated_nm * per_nm
    rated = round(rated_nm * per_nm)
    zero = round(scale.zero_count)
    gate = max(1, round(GATE_SHARE * rated_nm * per_nm))
    return LoadSettings(
        gate_counts=gate,
        classes=Classes(zero - round(reach), max(1, -(-round(2 * reach) // CLASSES))),
        rate_hz=rate_hz,
        over_counts=zero + rated,
        under_counts=zero - rated,
        release_counts=gate,
    )


def _line(group: Sequence[_Carried], line: SnLine | None) -> LoadLine:
    whole = LoadHistory.start(group[0].history.settings)
    for each in group:
        whole.merge(each.history)
    torque, settings = group[0].scale, whole.settings
    scale = Scale(torque.lsb_nm, torque.zero_count)
    damage = None if line is None else miner_sum(whole, scale, line)
    first = None
    if len(group) > 1:
        first = relative_damage(
            group[-1].history, group[0].history, SLOPE if line is None else line.slope, scale
        )
    edges_nm = (settings.classes.edges_counts - torque.zero_count) * abs(torque.lsb_nm)
    ends = [(count - torque.zero_count) * torque.lsb_nm for count in (whole.lowest, whole.highest)]
    part = Life("", tuple(each.night for each in group), (), (), (), ())
    said = [remark for found in (damage, first) if found is not None for remark in found.remarks]
    return LoadLine(
        runs=tuple(each.run for each in group),
        hours=whole.samples / settings.rate_hz / 3600.0,
        missing=whole.missing,
        torque_min_nm=float(min(ends)),
        torque_max_nm=float(max(ends)),
        overloads=whole.over.count + whole.under.count,
        cycles=_cycles(whole, abs(torque.lsb_nm)),
        levels=tuple(
            (float(low), float(high), float(seconds) / 3600.0)
            for low, high, seconds in zip(
                edges_nm[:-1], edges_nm[1:], whole.seconds_at_level()[1:-1], strict=True
            )
            if seconds > 0
        ),
        crossings=tuple(
            (float(at), int(up), int(down))
            for at, up, down in zip(edges_nm, *whole.through_edges(), strict=True)
            if up or down
        ),
        against_first=first,
        damage=damage,
        repetitions=None if damage is None else repetitions(damage),
        remarks=tuple(dict.fromkeys((*whole.remarks, *said))) or (NO_LIFE if line is None else LINE_OF_USER,),
        matrix=_matrix(whole, torque),
        starts=sum(each.starts for each in group),
        strokes=part.strokes,
        beside=part.beside(),
        park_stops=part.park_stops,
    )


def _cycles(history: LoadHistory, nm_per_count: float) -> tuple[tuple[float, float | None, float], ...]:
    """Cycles by class of range in N·m, open ones with their half; the largest first."""
    found, step = history.spectrum(), history.settings.classes.step_counts
    place = np.minimum(found.ranges // step, CLASSES).astype(np.int64)
    counts = np.bincount(place, weights=found.cycles, minlength=CLASSES + 1)
    width = step * nm_per_count
    return tuple(
        (number * width, None if number == CLASSES else (number + 1) * width, float(counts[number]))
        for number in range(CLASSES, -1, -1)
        if counts[number] > 0
    )


def _matrix(
    history: LoadHistory, torque: TorqueScale
) -> tuple[tuple[float, float | None, float | None, float | None, int], ...]:
    """Closed cycles by class of range and of mean, the largest range first; a negative scale turns the means round."""
    edges_nm = ((history.settings.classes.edges_counts - torque.zero_count) * torque.lsb_nm).tolist()
    bounds = [None, *edges_nm, None]
    width = history.settings.classes.step_counts * abs(torque.lsb_nm)
    found = []
    for of_range, of_mean in np.argwhere(history.cycles.matrix)[::-1].tolist():
        low, high = bounds[of_mean], bounds[of_mean + 1]
        low, high = (low, high) if torque.lsb_nm > 0 else (high, low)
        most = None if of_range == CLASSES else (of_range + 1) * width
        found.append((of_range * width, most, low, high, int(history.cycles.matrix[of_range, of_mean])))
    return tuple(found)
