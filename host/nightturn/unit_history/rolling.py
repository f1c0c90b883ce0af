"""Families of orders and strokes over the newest mounting of a unit, by the rule by which a run follows them."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np
import pandas as pd

from nightturn.errors import StorageError
from nightturn.model.figures import OK
from nightturn.model.phases import EXERCISE
from nightturn.model.quantities import interval
from nightturn.model.rows import CURVES, STROKES
from nightturn.model.tiles import Float64s
from nightturn.model.trends import Rolled
from nightturn.storage.reader import Run
from nightturn.trend.causes import declared_of
from nightturn.trend.order_families import STROKES as OF_STROKES
from nightturn.trend.order_families import Leg
from nightturn.trend.rolling import Known, Rolling, Stroke, Track, estimated
from nightturn.trend.slope import Axis
from nightturn.trend.wording import warmed_text
from nightturn.unit_history.life import Life
from nightturn.unit_history.nights import Night, temperatures_degc

CURVE_COLUMNS = ["epoch", "cycle_no", "leg", "direction", "amplitude_nm", "floor_nm"]
STROKE_COLUMNS = ["cycle_no", "direction", "phase", "mean_torque_nm", "peak_torque_nm", "rms_torque_nm"]


class RolledLine(msgspec.Struct, frozen=True):
    """Level and slope of one series, N·m and per stroke and hour.

    Attributes:
        title: for people. indicative: of strokes. estimate: the numbers. text: a sentence with them.
    """

    title: str
    indicative: bool
    estimate: Rolled
    text: str


class Followed(NamedTuple):
    """The series of a life, what each is called, and of which nights nothing is known, with why."""

    rolling: Rolling
    titles: dict[str, str]
    unknown: tuple[str, ...]


def followed_of(root: str | Path, found: Life) -> Followed:
    """What is followed without being watched, since the last known step of a life."""
    rolling, titles, unknown = Rolling(), dict[str, str](), list[str]()
    since = found.steps[-1].ts if found.steps else 0
    for night, before in zip(found.nights, found.strokes_before, strict=True):
        if night.started_ts < since:
            continue
        fixture, variant = night.settings.fixture, night.settings.variant
        drive = fixture.drive.pole_pairs, fixture.drive.slots
        known = Known(declared_of(variant, fixture.bearing), drive)
        titles |= known.titles
        try:
            run = Run(Path(root), night.place.fixture, night.run)
            curves, strokes = run.frame(CURVES, CURVE_COLUMNS), run.frame(STROKES, STROKE_COLUMNS)
        except StorageError as error:
            unknown.append(f"{night.run}: {error}")
            continue
        roll(rolling, night, before, known, curves, strokes)
    rolling.tracks = sorted(rolling.tracks, key=_place)
    return Followed(rolling, titles, tuple(unknown))


def lines_of(found: Followed) -> tuple[RolledLine, ...]:
    """Level and slope of each series."""
    if not found.rolling.tracks:
        return ()
    return tuple(
        RolledLine(found.titles[each.figure], each.figure in OF_STROKES, each, rolled_text(each))
        for each in estimated(msgspec.msgpack.encode(found.rolling.tracks))
    )


def roll(
    rolling: Rolling, night: Night, before: int, known: Known, curves: pd.DataFrame, strokes: pd.DataFrame
) -> None:
    """Take the cycles of a night, in order of time; `before` are strokes of the unit's life before it."""
    legs = {key: list(_legs(rows)) for key, rows in curves.groupby(["epoch", "cycle_no"])}
    exercise = strokes[strokes["phase"].fillna(EXERCISE) == EXERCISE] if "phase" in strokes else strokes
    by_cycle = {no: list(_strokes(rows)) for no, rows in exercise.groupby("cycle_no")}
    ended = np.empty(0, np.int64) if night.strokes is None else night.strokes
    rolling.strokes = {}  # numbers of cycles begin anew with a run
    degc = temperatures_degc(night.cycles)
    for at, row in enumerate(night.cycles.to_dict("records")):
        number, begun = int(row["cycle_no"]), pd.Timestamp(row["ts_start"]).value
        for stroke in by_cycle.get(number, []):
            rolling.stroke(number, stroke)
        along = float(before + np.searchsorted(ended, begun, side="right"))
        mine = legs.get((row["epoch"], number), [])
        complete = row["status"] == OK
        rolling.cycle(number, begun, along, mine, known, degc=float(degc[at]), complete=complete)


def rolled_text(each: Rolled) -> str:
    """`0.52 ± 0.04 mN·m; 0.010 ± 0.002 mN·m per 1000 strokes, 0.040 ± 0.008 mN·m per hour`."""
    over = f"{each.blocks} blocks of {each.length} cycle{'' if each.length == 1 else 's'}"
    if each.level is None or each.level_half is None:
        return f"{each.why_not or 'no slope'} ({over})"
    said = [interval(each.level, each.level_half, "N·m")]
    for axis, per in ((Axis.STROKES, "1000 strokes"), (Axis.HOURS, "hour")):
        rate = each.rate(axis)
        if rate is not None:
            goes = interval(rate.slope * axis.per, rate.half * axis.per, "N·m", beside=rate.half * axis.per)
            trend = "" if abs(rate.slope) > rate.half else "no trend, "
            said.append(f"{trend}{goes} per {per}")
    said += [_temperature_text(each)]
    return f"{'; '.join(said)} ({over})"


def _temperature_text(each: Rolled) -> str:
    """What temperature explains and what is left, or that it is still in it."""
    if each.degc is None:
        return "no temperature was read"
    if each.warmed is None:
        return "temperature stays in it"
    return warmed_text(each.warmed, "N·m")


def _place(track: Track) -> tuple[bool, str, int]:
    return track.figure in OF_STROKES, track.figure, -track.direction


def _legs(rows: pd.DataFrame) -> Iterator[Leg]:
    for row in rows.to_dict("records"):
        yield Leg(row["leg"], int(row["direction"]), _numbers(row["amplitude_nm"]), _numbers(row["floor_nm"]))


def _numbers(values: Sequence[float] | None) -> Float64s:
    return np.asarray([] if values is None else values, np.float64)


def _strokes(rows: pd.DataFrame) -> Iterator[Stroke]:
    for row in rows.to_dict("records"):
        torques = (row["mean_torque_nm"], row["peak_torque_nm"], row["rms_torque_nm"])
        yield Stroke(int(row["direction"]), *torques)
