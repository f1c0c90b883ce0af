"""The nights of a unit: a run each, with what its cycles and strokes add to the unit's life."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd

from nightturn.fixture.stream import RunSettings
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import OK
from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s, Int64s
from nightturn.motion.moves import conditioning_moves, move_seconds
from nightturn.sentences.purpose import purpose_word
from nightturn.settings.meaning import MEANING, WEIGHTS
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary
from nightturn.storage.unit_runs import runs_of_unit
from nightturn.trend.series import NEAR
from nightturn.unit_history.recorded import Recorded, recorded

S_PER_H = 3600.0
DEG_PER_REV = 360.0
NAMED = frozenset({"id", "schema"})
NIGHTS_MAX = 5000
"""Runs of one unit that are read at once; of a longer life the newest."""
TEMPERATURES = tuple(f"temp_{role}_degc" for role in NEAR)
"""Columns of the cycles, in the order of `NEAR`."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where and how a unit was measured: what makes two nights comparable without a known step between them.

    Attributes:
        fixture: on which.
        mounted_utc: when the unit was put there; another card is another mounting unless it says that nothing was touched.
        operator: who wrote it.
        transducer: serial of the torque transducer; empty where the rig file gives the factor.
        calibration: id of its record.
        plan: speeds and torque of the measuring passes, in words.
        settings: what else gives the numbers their meaning, by key, as JSON text.
    """

    fixture: str
    mounted_utc: str
    operator: str
    transducer: str
    calibration: str
    plan: str
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Night:
    """One run of the unit.

    Attributes:
        run: its id.
        place: where and how it was measured.
        settings: rig, variant, card and calibration as recorded.
        timezone: of the bench.
        started_ts, ended_ts: ns since 1970 UTC; the end is that of its last cycle or stroke.
        verdict: the night's word, empty where nobody has worked it out.
        cycles: a row for each cycle, in order of time.
        strokes: when each recorded stroke of exercise ended, ns since 1970 UTC; None where its figures were cleared.
        beside: recorded strokes of warm-up and soak, by phase; park_stops: how often the shaft was parked for a person.
        problem: why its figures are not here, in words; empty where they are.
        purpose: release or engineering, empty without a verdict.
    """

    run: str
    place: Place
    settings: RunSettings
    timezone: str
    started_ts: int
    ended_ts: int
    verdict: str
    cycles: pd.DataFrame = field(repr=False)
    strokes: Int64s | None = field(repr=False)
    problem: str = ""
    beside: Mapping[str, int] = field(default_factory=dict)
    park_stops: int = 0
    purpose: str = ""

    @property
    def complete(self) -> int:
        """Cycles that ran to their end."""
        return int((self.cycles["status"].to_numpy() == OK).sum()) if len(self.cycles) else 0

    @property
    def strokes_planned(self) -> int:
        """Strokes of exercise that its plan has in all."""
        plan = self.settings.fixture.plan
        return plan.cycles * plan.exercise.strokes

    @property
    def revolutions(self) -> float:
        """Turns that its recorded strokes, of every phase, and its cycles' measuring passes make by plan."""
        plan = self.settings.fixture.plan
        passes = 3 * plan.slow_turn.revolutions + (plan.hold.revolutions if plan.hold else 0)
        strokes = 0 if self.strokes is None else len(self.strokes)
        turned_deg = strokes * plan.exercise.angle_deg
        turned_deg += sum(
            self.beside.get(phase, 0) * each.angle_deg for phase, each in plan.conditioning.items()
        )
        return turned_deg / DEG_PER_REV + self.complete * float(passes)

    def mean(self, figure: str) -> float | None:
        """The mean of a figure over the night's judged cycles, in its unit; None where there is none."""
        if not len(self.cycles) or figure not in self.cycles:
            return None
        values = self.cycles[figure][self.cycles[f"{figure}_status"] == OK].dropna().astype(float)
        return float(values.mean()) if len(values) else None

    def method(self, figure: str) -> int | None:
        """The version of the method that made the figure last; None where it is not known."""
        known = self.cycles[f"{figure}_method"].dropna()
        return int(known.iloc[-1]) if len(known) else None

    def hours_beside(self) -> dict[str, float]:
        """Hours of warm-up and soak by phase: recorded strokes, each with the time that it takes by plan."""
        settings = self.settings.fixture
        cpr = settings.encoder.counts_per_rev
        found = {}
        for phase in settings.plan.conditioning:
            pair_s = sum(move_seconds(move, cpr) for move in conditioning_moves(settings, phase, 0, 0))
            found[phase] = self.beside.get(phase, 0) / 2 * pair_s / S_PER_H
        return found


def ns_of(times: pd.Series) -> Int64s:
    """Times (n,) as ns since 1970 UTC."""
    if times.dtype == object:  # of a frame without a row, or that somebody made of stamps
        times = pd.Series(pd.DatetimeIndex(times))
    return times.to_numpy("datetime64[ns]").astype(np.int64)


def temperatures_degc(cycles: pd.DataFrame) -> Float64s:
    """The temperature of each cycle (n,) nearest to the bearing; NaN where none was read."""
    found = np.full(len(cycles), np.nan)
    for name in TEMPERATURES:
        if name in cycles:
            found = np.where(np.isfinite(found), found, cycles[name].to_numpy(np.float64))
    return found


def nights_of(
    root: str | Path, unit: str, columns: list[str], newest: int = NIGHTS_MAX
) -> tuple[list[Night], tuple[str, ...]]:
    """The nights of a unit below a data root, oldest first, over all fixtures, and which runs may be its and are not read, with why.

    `columns` are those of their cycles; of a longer life the `newest` runs.

    Raises:
        RunNotFoundError: no such root, or no run of that unit; names the units that are near.
    """
    found = runs_of_unit(root, unit)
    unread = [f"{each.run}: {why}" for each in found if each.unit != unit for why in each.unreadable[:1]]
    every = [each for each in found if each.unit == unit]
    if older := len(every[:-newest]):
        unread.append(f"{older} older runs: only the newest {newest} are read")
    known = [(each, settings) for each in every[-newest:] if (settings := _settings(Path(root), each))]
    unread += [f"{each.run}: its card says unit {of.card.unit}" for each, of in known if of.card.unit != unit]
    own = [(each, settings) for each, settings in known if settings.card.unit == unit]
    there = recorded(Path(root), unit, [(each.fixture, each.run) for each, _ in own], columns)
    nights = [_night(*each, files) for each, files in zip(own, there, strict=True)]
    return nights, tuple(unread)


def _settings(root: Path, summary: RunSummary) -> RunSettings | None:
    """None for a run that has no manifest yet: nothing of it is sealed."""
    manifest = Run(root, summary.fixture, summary.run).manifest
    return RunSettings.of(manifest) if manifest is not None and manifest.rig and manifest.card else None


def _night(summary: RunSummary, settings: RunSettings, there: Recorded) -> Night:
    cycles, strokes = there.cycles, there.strokes
    started_ts = round(summary.started_utc.timestamp()) * NS_PER_S
    ends = [started_ts, *([] if strokes is None or not len(strokes) else [int(strokes[-1])])]
    if len(cycles):
        ends.append(cycles["ts_end"].max().value)
    return Night(
        run=summary.run,
        place=place_of(settings),
        settings=settings,
        timezone=summary.timezone,
        started_ts=started_ts,
        ended_ts=max(ends),
        verdict=summary.night_verdict.word if summary.night_verdict is not None else "",
        purpose=purpose_word(summary.night_verdict) if summary.night_verdict is not None else "",
        cycles=cycles,
        strokes=strokes,
        problem=there.problem or (summary.unreadable[0] if summary.unreadable else ""),
        beside=there.beside,
        park_stops=there.park_stops,
    )


def place_of(settings: RunSettings) -> Place:
    """Where and how a unit is measured under these settings."""
    plan = settings.fixture.plan
    hold = (
        f", hold {number(plan.hold.torque_nm)} N·m at {number(plan.hold.speed_rpm)} rpm" if plan.hold else ""
    )
    return Place(
        fixture=settings.fixture.id,
        mounted_utc=settings.card.mounting,
        operator=settings.card.operator,
        transducer=settings.fixture.transducer.serial,
        calibration=settings.calibration.id,
        plan=f"slow turn at {number(plan.slow_turn.speed_rpm)} rpm{hold}",
        settings=_meaning(settings),
    )


def _meaning(settings: RunSettings) -> tuple[tuple[str, str], ...]:
    """What gives numbers their meaning beside what `Place` names."""
    record = settings.rig_record
    found = [("rig record", "" if record is None else record.id)]
    for prefix, part in (("", settings.fixture), ("variant.", settings.variant)):
        weights = WEIGHTS[type(part)]
        names = [name for name, weight in weights.items() if weight == MEANING and name not in NAMED]
        found += [(f"{prefix}{name}", msgspec.json.encode(getattr(part, name)).decode()) for name in names]
    return tuple(found)
