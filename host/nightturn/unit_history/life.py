"""A unit's life as series: one for each figure and direction, over strokes and clock time, parted by known steps."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from nightturn.model.figures import OK
from nightturn.trend.series import FOLLOWED, Series
from nightturn.unit_history.causes import SIGNS
from nightturn.unit_history.nights import TEMPERATURES, Night, Place, nights_of, temperatures_degc

KEYS = ("epoch", "cycle_no", "status", "direction", "ts_start", "ts_end", "calibration_id", "verdict", *SIGNS)
PARTS = ("", "_u", "_u_rep", "_status")
COLUMNS = [*KEYS, *TEMPERATURES, *(f"{name}{part}" for name in FOLLOWED for part in PARTS)]


@dataclass(frozen=True, slots=True)
class Step:
    """A known change of how the unit was measured: what follows is not compared with what was before as if it were wear.

    `strokes` are those of the unit's life before it, `ts` ns since 1970 UTC; `words` say what changed.
    """

    strokes: int
    ts: int
    words: str


@dataclass(frozen=True, slots=True)
class Life:
    """A unit over all its nights.

    Attributes:
        unit: its serial.
        nights: oldest first.
        strokes_before: strokes of its life before each night.
        steps: known changes of how it was measured, in order of time.
        series: by figure, then direction; those without a value are not here.
        unknown: nights whose strokes and figures nobody can count any more, with why.
    """

    unit: str
    nights: tuple[Night, ...]
    strokes_before: tuple[int, ...]
    steps: tuple[Step, ...]
    series: tuple[Series, ...]
    unknown: tuple[str, ...]

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

    def hours_at(self) -> dict[float, float]:
        """Hours within cycles by temperature class over all nights, the coldest first, unknown last."""
        found: dict[float, float] = {}
        for night in self.nights:
            for low, hours in night.hours_at().items():
                key = low if np.isfinite(low) else float("inf")
                found[key] = found.get(key, 0.0) + hours
        return dict(sorted(found.items()))


def life_of(root: str | Path, unit: str) -> Life:
    """The life of a unit below a data root.

    Raises:
        RunNotFoundError: no such root, or no run of that unit.
    """
    return life(unit, *nights_of(root, unit, COLUMNS))


def life(unit: str, nights: Sequence[Night], unread: Sequence[str] = ()) -> Life:
    """The same from its nights, oldest first; `unread` are runs of which nobody can say whether they are its."""
    before: list[int] = []
    steps: list[Step] = []
    stretch: list[int] = []
    strokes = 0
    for number, night in enumerate(nights):
        if number and (words := what_changed(nights[number - 1].place, night.place)):
            steps.append(Step(strokes, night.started_ts, words))
        before.append(strokes)
        stretch.append(len(steps))
        strokes += 0 if night.strokes is None else len(night.strokes)
    rows = [_rows(*each) for each in zip(range(len(nights)), nights, before, stretch, strict=True)]
    told = [f"{night.run}: {night.problem}" for night in nights if night.problem] + list(unread)
    return Life(
        unit,
        tuple(nights),
        tuple(before),
        tuple(steps),
        _series(pd.concat(rows)) if rows else (),
        tuple(told),
    )


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
    return "; ".join(said)


def _rows(number: int, night: Night, strokes_before: int, stretch: int) -> pd.DataFrame:
    """The cycles of a night with where in the unit's life each lies."""
    rows = night.cycles.copy()
    ended = np.empty(0, np.int64) if night.strokes is None else night.strokes
    started = rows["ts_start"].astype("int64").to_numpy() if len(rows) else np.empty(0, np.int64)
    rows["ts"] = started
    rows["strokes"] = strokes_before + np.searchsorted(ended, started, side="right")
    rows["degc"] = temperatures_degc(rows)
    rows["night"], rows["stretch"] = number, stretch
    return rows


def _series(rows: pd.DataFrame) -> tuple[Series, ...]:
    if rows.empty:
        return ()
    complete = rows[rows["status"] == OK]
    found = []
    for figure in FOLLOWED:
        for direction in (1, -1):
            turned = complete[complete["direction"] == direction]
            good = turned[(turned[f"{figure}_status"] == OK) & turned[figure].notna()]
            if len(good):
                found.append(_one(figure, direction, good, len(turned) - len(good)))
    return tuple(found)


def _one(figure: str, direction: int, rows: pd.DataFrame, left_out: int) -> Series:
    u = rows[f"{figure}_u_rep"].astype(float).fillna(rows[f"{figure}_u"].astype(float))
    return Series(
        figure=figure,
        direction=direction,
        strokes=rows["strokes"].to_numpy(np.float64),
        ts=rows["ts"].to_numpy(np.int64),
        value=rows[figure].to_numpy(np.float64),
        u=np.asarray(u, np.float64),
        degc=rows["degc"].to_numpy(np.float64),
        stretch=rows["stretch"].to_numpy(np.int64),
        night=rows["night"].to_numpy(np.int64),
        cycle_no=rows["cycle_no"].to_numpy(np.int64),
        left_out=left_out,
    )
