"""What temperatures a unit has been through over its nights: swings by range, hours at each, from the rows of its slow channels."""

from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import msgspec
import numpy as np

from nightturn.errors import StorageError
from nightturn.fixture.measuring import SLOW_ROW_PERIOD_S
from nightturn.fixture.stream import DEGC
from nightturn.model.rows import SLOW
from nightturn.model.tiles import Int64s
from nightturn.storage.reader import Run
from nightturn.trend.load_history import LoadHistory, LoadSettings
from nightturn.trend.rainflow import CLASSES, Classes
from nightturn.unit_history.life import Life
from nightturn.unit_history.nights import Night
from nightturn_protocol.sheet import parse_sheet

PER_K = 1000
"""Counts to the kelvin: thousandths of a degree, as the core takes temperatures."""
GATE_K = 1.0
"""A smaller swing is none: the hall's air makes it (common practice, no source)."""
CLASS_K = 3.0
COLDEST_DEGC = -55.0
"""Classes of 3 K from here to 137 °C; what is beyond is counted beyond."""
SETTINGS = LoadSettings(
    gate_counts=round(GATE_K * PER_K),
    classes=Classes(round(COLDEST_DEGC * PER_K), round(CLASS_K * PER_K)),
    rate_hz=1.0 / SLOW_ROW_PERIOD_S,
)


class TemperatureLine(msgspec.Struct, frozen=True):
    """What one place of a unit has been through.

    Attributes:
        role: what was measured: a role, or the device's own name of the channel.
        runs: in how many of its runs it was measured.
        hours: that were measured; missing: rows of ten seconds that are not there between the first and the last of a run.
        lowest_degc, highest_degc: extremes.
        cycles: (lowest range K, highest, cycles) of the ranges that occur, the largest first; half cycles count half.
        levels: (lowest °C, highest, hours) of the temperatures that occur; None for no bound.
    """

    role: str
    runs: int
    hours: float
    missing: int
    lowest_degc: float
    highest_degc: float
    cycles: tuple[tuple[float, float | None, float], ...]
    levels: tuple[tuple[float | None, float | None, float], ...]


def temperatures_of(root: str | Path, found: Life) -> tuple[tuple[TemperatureLine, ...], tuple[str, ...]]:
    """A line for each place of a life whose temperature was measured, and of which nights nothing is known and why."""
    by_role: defaultdict[str, list[LoadHistory]] = defaultdict(list)
    unknown: list[str] = []
    for night in found.nights:
        try:
            of_night = _of_night(Run(Path(root), night.place.fixture, night.run), night)
        except StorageError as error:
            unknown.append(f"{night.run}: {error}")
            continue
        for role, history in of_night.items():
            by_role[role].append(history)
    return tuple(_line(role, parts) for role, parts in sorted(by_role.items())), tuple(unknown)


def _of_night(run: Run, night: Night) -> dict[str, LoadHistory]:
    """The history of each temperature of one run.

    Raises:
        StorageError: its rows or its manifest cannot be read, or retention has cleared them.
    """
    manifest = run.manifest
    if manifest is None:
        raise StorageError("its manifest is missing, which says what its channels measure")
    sheets = [parse_sheet(known.sheet.encode()) for known in manifest.sheets]
    measured = {each.name for sheet in sheets for each in sheet.slow if each.unit == DEGC}
    roles = {channel: role for role, channel in night.settings.fixture.channels.given.items()}
    rows = run.frame(SLOW, ["ts", "channel", "value"])
    out: dict[str, LoadHistory] = {}
    for name, part in rows.groupby("channel", sort=True):
        if name in measured:
            ts = np.asarray(part["ts"].astype("int64"), np.int64)
            counts = np.rint(part["value"].to_numpy() * PER_K).astype(np.int64)
            out[roles.get(str(name), str(name))] = history_of(ts, counts)
    return out


def history_of(ts: Int64s, counts: Int64s) -> LoadHistory:
    """The history of one channel of a run from its rows: times ns (n,) in order, thousandths of a degree (n,)."""
    history = LoadHistory.start(SETTINGS)
    period_ns = SLOW_ROW_PERIOD_S * 10**9
    due = np.rint(np.diff(ts) / period_ns).astype(np.int64) - 1
    holes = np.flatnonzero(due > 0) + 1
    for first, last in zip((0, *holes.tolist()), (*holes.tolist(), len(counts)), strict=True):
        history.add(counts[first:last], missing=int(due[first - 1]) if first else 0)
    return history


def _line(role: str, parts: Sequence[LoadHistory]) -> TemperatureLine:
    whole = LoadHistory.start(SETTINGS)
    for part in parts:
        whole.merge(part)
    edges = (SETTINGS.classes.edges_counts / PER_K).tolist()
    bounds = [None, *edges, None]
    hours = (whole.seconds_at_level() / 3600.0).tolist()
    return TemperatureLine(
        role=role,
        runs=len(parts),
        hours=whole.samples * SLOW_ROW_PERIOD_S / 3600.0,
        missing=whole.missing,
        lowest_degc=whole.lowest / PER_K,
        highest_degc=whole.highest / PER_K,
        cycles=_cycles(whole),
        levels=tuple(
            (low, high, spent)
            for low, high, spent in zip(bounds[:-1], bounds[1:], hours, strict=True)
            if spent > 0
        ),
    )


def _cycles(history: LoadHistory) -> tuple[tuple[float, float | None, float], ...]:
    found, step = history.spectrum(), history.settings.classes.step_counts
    place = np.minimum(found.ranges // step, CLASSES).astype(np.int64)
    counts = np.bincount(place, weights=found.cycles, minlength=CLASSES + 1)
    return tuple(
        (number * CLASS_K, None if number == CLASSES else (number + 1) * CLASS_K, float(counts[number]))
        for number in range(CLASSES, -1, -1)
        if counts[number] > 0
    )
