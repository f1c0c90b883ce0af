"""A unit's life as series: one for each figure and direction, over strokes and clock time, parted by known steps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from nightturn.estimation.turns import Bools
from nightturn.model.figures import OK
from nightturn.model.tiles import Float64s
from nightturn.trend.following import DIRECTIONS
from nightturn.trend.series import FOLLOWED, Series
from nightturn.trend.settled import NS_PER_H
from nightturn.unit_history.causes import SIGNS
from nightturn.unit_history.nights import TEMPERATURES, Night, Place, nights_of, ns_of, temperatures_degc
from nightturn.unit_history.usable import comparable, sound

KEYS = ("epoch", "cycle_no", "status", "direction", "ts_start", "ts_end", "calibration_id", "verdict", *SIGNS)
PARTS = ("", "_u", "_u_rep", "_status", "_method")
TEMP_CLASS_K = 5.0
COLUMNS = [*KEYS, *TEMPERATURES, *(f"{name}{part}" for name in FOLLOWED for part in PARTS)]


@dataclass(frozen=True, slots=True)
class Step:
    """A known change of how the unit was measured: what follows is not compared with what was before as if it were wear.

    `strokes` are those of the unit's life before it, `ts` ns since 1970 UTC; `words` say what changed; `remount`: nothing but the mounting.
    """

    strokes: int
    ts: int
    words: str
    remount: bool = False


@dataclass(frozen=True, slots=True)
class Life:
    """A unit over all its nights.

    Attributes:
        unit: its serial.
        nights: oldest first.
        strokes_before: strokes of its life before each night.
        steps: known changes of how it was measured, in order of time.
        series: by figure, then direction; those without a value are not here.
        unknown: nights whose strokes and figures nobody can count any more, and what else is left out of the series, with why.
        methods: that made the values of each figure, where it is known.
        hours_at: hours within cycles by temperature, the lower end of each class of 5 K, the coldest first; infinity where none was read.
    """

    unit: str
    nights: tuple[Night, ...]
    strokes_before: tuple[int, ...]
    steps: tuple[Step, ...]
    series: tuple[Series, ...]
    unknown: tuple[str, ...]
    methods: Mapping[str, int] = field(default_factory=dict)
    hours_at: Mapping[float, float] = field(default_factory=dict)

    @property
    def mountings(self) -> tuple[int, ...]:
        """The stretches before the newest one in which nothing but the mounting was another, oldest first."""
        return mountings_before(self.steps)

    @property
    def strokes(self) -> int:
        """Recorded strokes of all nights."""
        return sum(0 if night.strokes is None else len(night.strokes) for night in self.nights)

    def beside(self) -> dict[str, tuple[int, float]]:
        """Recorded strokes and hours of warm-up and soak over all nights, by phase; without phases that never came."""
        found: dict[str, tuple[int, float]] = {}
        for night in self.nights:
            for phase, hours in night.hours_beside().items():
                strokes, before = found.get(phase, (0, 0.0))
                found[phase] = strokes + night.beside.get(phase, 0), before + hours
        return {phase: each for phase, each in found.items() if each[0]}

    @property
    def park_stops(self) -> int:
        """How often the shaft was parked for a person."""
        return sum(night.park_stops for night in self.nights)


def life_of(root: str | Path, unit: str, until: str = "") -> Life:
    """The life of a unit below a data root; with the id of one of its runs as `until` what was known when that had been recorded.

    Raises:
        RunNotFoundError: no such root, or no run of that unit.
    """
    nights, unread = nights_of(root, unit, COLUMNS)
    runs = [night.run for night in nights]
    return life(unit, nights[: runs.index(until) + 1] if until in runs else nights, unread)


def life(unit: str, nights: Sequence[Night], unread: Sequence[str] = ()) -> Life:
    """The same from its nights, oldest first; `unread` are runs of which nobody can say whether they are its."""
    before: list[int] = []
    steps: list[Step] = []
    stretch: list[int] = []
    strokes = 0
    for number, night in enumerate(nights):
        if number and (words := what_changed(nights[number - 1].place, night.place)):
            remount = only_mounted(nights[number - 1].place, night.place)
            steps.append(Step(strokes, night.started_ts, words, remount))
        before.append(strokes)
        stretch.append(len(steps))
        strokes += 0 if night.strokes is None else len(night.strokes)
    told = [f"{night.run}: {night.problem}" for night in nights if night.problem] + list(unread)
    calibrations = {number: night.place.calibration for number, night in enumerate(nights)}
    rows = _rows(nights, before, stretch)
    series, methods, left_out = ((), {}, ()) if rows is None else _series(rows, calibrations)
    hours = {} if rows is None else _hours_at(rows)
    return Life(unit, tuple(nights), tuple(before), tuple(steps), series, (*told, *left_out), methods, hours)


def mountings_before(steps: Sequence[Step]) -> tuple[int, ...]:
    """As `Life.mountings`, of known steps."""
    first = len(steps)
    while first and steps[first - 1].remount:
        first -= 1
    return tuple(range(first, len(steps)))


def only_mounted(before: Place, after: Place) -> bool:
    """Whether two nights differ in nothing but the mounting."""
    same = replace(after, mounted_utc=before.mounted_utc)
    return before.mounted_utc != after.mounted_utc and not what_changed(before, same)


def what_changed(before: Place, after: Place) -> str:
    """What a person or another rig changed between two nights, in words; empty where nothing is known to have changed."""
    said = []
    if before.fixture != after.fixture:
        said.append(f"moved from {before.fixture} to {after.fixture} by {after.operator}")
    elif before.mounted_utc != after.mounted_utc:
        said.append(f"mounted again on {after.fixture} by {after.operator}")
    if before.transducer != after.transducer:
        said.append(
            f"torque transducer {before.transducer or 'unnamed'}, now {after.transducer or 'unnamed'}"
        )
    elif before.calibration != after.calibration:
        said.append(f"calibration {before.calibration}, now {after.calibration}")
    if before.plan != after.plan:
        said.append(f"plan: {before.plan}, now {after.plan}")
    was, now = dict(before.settings), dict(after.settings)
    other = [name for name in {**was, **now} if was.get(name) != now.get(name)]
    if other and before.transducer == after.transducer:
        said.append(f"set otherwise: {', '.join(other)}")
    return "; ".join(said)


def _rows(nights: Sequence[Night], before: Sequence[int], stretch: Sequence[int]) -> pd.DataFrame | None:
    """The cycles of all nights with where in the unit's life each lies; None without one."""
    there = [number for number, night in enumerate(nights) if len(night.cycles)]
    if not there:
        return None
    rows = pd.concat([nights[number].cycles for number in there], ignore_index=True)
    number = np.repeat(there, [len(nights[each].cycles) for each in there])
    ts = ns_of(rows["ts_start"])
    strokes = np.empty(len(rows), np.int64)
    for each in there:
        ended, mine = nights[each].strokes, number == each
        behind = 0 if ended is None else np.searchsorted(ended, ts[mine], side="right")
        strokes[mine] = before[each] + behind
    where = {"ts": ts, "strokes": strokes, "degc": temperatures_degc(rows), "night": number}
    return rows.assign(**where, stretch=np.asarray(stretch)[number])


def _hours_at(rows: pd.DataFrame) -> dict[float, float]:
    """As `Life.hours_at`, of the cycles of all nights."""
    degc = rows["degc"].to_numpy()
    lows = np.where(np.isfinite(degc), np.floor(degc / TEMP_CLASS_K) * TEMP_CLASS_K, np.inf)
    classes, place = np.unique(lows, return_inverse=True)
    hours = np.bincount(place, weights=(ns_of(rows["ts_end"]) - rows["ts"].to_numpy()) / NS_PER_H)
    return dict(zip(classes.tolist(), hours.tolist(), strict=True))


def _series(
    rows: pd.DataFrame, calibrations: Mapping[int, str]
) -> tuple[tuple[Series, ...], dict[str, int], tuple[str, ...]]:
    """The series, the method of each figure, and what is left out of them."""
    there, said = sound(rows, calibrations)
    complete = there[(there["status"] == OK).to_numpy()]
    turning = complete["direction"].to_numpy()
    found, methods = list[Series](), dict[str, int]()
    for figure in FOLLOWED:
        alike, method, others = comparable(complete, figure)
        said += others
        if method is not None:
            methods[figure] = method
        for direction in DIRECTIONS:
            turned = turning == direction
            good = turned & alike
            if count := int(good.sum()):
                found.append(_one(figure, direction, complete, good, int(turned.sum()) - count))
    return tuple(found), methods, said


def _one(figure: str, direction: int, rows: pd.DataFrame, good: Bools, left_out: int) -> Series:
    """The series of the cycles (n,) that are `good`."""

    def numbers(name: str) -> Float64s:
        return np.asarray(rows[name], np.float64)[good]

    own, whole = numbers(f"{figure}_u_rep"), numbers(f"{figure}_u")
    return Series(
        figure=figure,
        direction=direction,
        strokes=numbers("strokes"),
        ts=rows["ts"].to_numpy(np.int64)[good],
        value=numbers(figure),
        u=np.where(np.isnan(own), whole, own),
        degc=numbers("degc"),
        stretch=rows["stretch"].to_numpy(np.int64)[good],
        night=rows["night"].to_numpy(np.int64)[good],
        cycle_no=rows["cycle_no"].to_numpy(np.int64)[good],
        left_out=left_out,
    )
