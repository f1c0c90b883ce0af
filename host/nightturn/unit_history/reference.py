"""A reference unit over its nights on each rig: whether a rig has drifted, or the reference itself.

A rig that moves alone is the rig; where the same unit moves to the same side on every rig on which it is judged, it is the unit.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.model.quantities import quantity, span
from nightturn.trend.control_chart import HISTORY_MIN, NEWEST, ROUGH, Chart, chart
from nightturn.unit_history.life import COLUMNS, what_changed
from nightturn.unit_history.nights import Night, nights_of
from nightturn.unit_history.usable import counted

ZERO = "zero_nm"
CHARTED = ("friction_nm", "ripple_pp_nm", "cogging_pp_nm", ZERO)
"""Figures whose level a reference fixes; zero is the rig's alone."""


class ReferenceNight(msgspec.Struct, frozen=True):
    """One night on a chart: its run, when it began (ns since 1970 UTC), its mean, the weighted mean behind it, and which rule it breaks."""

    run: str
    started_ts: int
    value: float
    smooth: float | None = None
    signal: str = ""


class ReferenceChart(msgspec.Struct, frozen=True):
    """One figure of the reference on one rig, since it was last set otherwise there; in the figure's unit.

    Attributes:
        rig, figure, title, unit: which.
        nights: oldest first.
        centre, low, high: of single nights, None where too few nights make no limits. history: nights that they rest on.
        moved: +1 or -1 where one of the newest nights breaks a rule, towards the side it went; else 0.
    """

    rig: str
    figure: str
    title: str
    unit: str
    nights: tuple[ReferenceNight, ...]
    centre: float | None = None
    low: float | None = None
    high: float | None = None
    history: int = 0
    moved: int = 0


class Reference(msgspec.Struct, frozen=True):
    """A reference unit: its charts by rig and figure, and what they say together."""

    serial: str
    charts: tuple[ReferenceChart, ...]
    said: tuple[str, ...]
    unread: tuple[str, ...]

    @property
    def moved(self) -> bool:
        """Whether any chart shows something now."""
        return any(each.moved for each in self.charts)


def reference_of(root: str | Path, serial: str) -> Reference:
    """The charts of a reference unit below a data root.

    Raises:
        RunNotFoundError: no such root, or no run of that unit; names the units that are near.
    """
    nights, unread = nights_of(root, serial, COLUMNS)
    return reference(serial, nights, unread)


def reference(serial: str, nights: Sequence[Night], unread: Sequence[str] = ()) -> Reference:
    """The same from its nights, oldest first; `unread` are runs of which nobody can say whether they are its."""
    by_rig: dict[str, list[Night]] = {}
    for night in nights:
        before = by_rig.setdefault(night.place.fixture, [])
        # Another transducer, calibration or plan is a known step: limits begin behind it. A mounting is what a reference is mounted for.
        if before and _set_otherwise(before[-1], night):
            before.clear()
        before.append(night)
    charts = tuple(
        made
        for rig in sorted(by_rig)
        for figure in CHARTED
        if (made := _chart(rig, figure, by_rig[rig])) is not None
    )
    return Reference(serial, charts, tuple(_said(charts)), tuple(unread))


def _set_otherwise(one: Night, other: Night) -> bool:
    """Whether more than the mounting was changed between two nights on one rig."""
    same = replace(other.place, mounted_utc=one.place.mounted_utc, operator=one.place.operator)
    return bool(what_changed(one.place, same))


def _chart(rig: str, figure: str, nights: Sequence[Night]) -> ReferenceChart | None:
    """None for a figure that has no value in any of the nights."""
    spec = FIGURES[figure]
    methods = [night.method(figure) for night in nights]
    newest = next((each for each in reversed(methods) if each is not None), None)
    found = [
        (night, mean)
        for night, method in zip(nights, methods, strict=True)
        if method == newest and (mean := night.mean(figure)) is not None
    ]
    if not found:
        return None
    values = [mean for _, mean in found]
    made = chart(values)
    rows = tuple(_night(at, night, mean, made) for at, (night, mean) in enumerate(found))
    if made is None:
        return ReferenceChart(rig, figure, spec.spoken, spec.unit, rows)
    recent = [at for at, _ in made.signals if at >= len(values) - NEWEST]
    moved = int(np.sign(made.smooth[-1] - made.centre)) if recent else 0
    return ReferenceChart(
        rig, figure, spec.spoken, spec.unit, rows, made.centre, made.low, made.high, made.history, moved
    )


def _night(at: int, night: Night, mean: float, made: Chart | None) -> ReferenceNight:
    if made is None:
        return ReferenceNight(night.run, night.started_ts, mean)
    words = dict(made.signals).get(at, "")
    return ReferenceNight(night.run, night.started_ts, mean, float(made.smooth[at]), words)


def _said(charts: Sequence[ReferenceChart]) -> Iterator[str]:
    """What the rigs say together, figure by figure."""
    for figure in CHARTED:
        ours = [each for each in charts if each.figure == figure]
        judged = [each for each in ours if each.centre is not None]
        moved = [each for each in judged if each.moved]
        still = [each for each in judged if not each.moved]
        if not moved:
            continue
        title = ours[0].title
        names = " and ".join(each.rig for each in moved)
        if figure == ZERO or still:
            beside = (
                f", on {' and '.join(each.rig for each in still)} the same unit has not: look at the rig first"
                if still
                else ""
            )
            yield f"{title} of the reference has moved on {names}{beside or ': zero belongs to the rig'}"
        elif len(moved) == 1:
            yield f"{title} of the reference has moved on {names}; it is charted on no other rig, so rig and unit cannot be parted"
        elif len({each.moved for each in moved}) == 1:
            yield f"{title} of the reference has moved to one side on {names}, on every rig: look at the unit first"
        else:
            yield f"{title} of the reference has moved on {names}, to different sides: look at both rigs"


def chart_rows(found: Reference) -> list[tuple[str, str]]:
    """Each chart as texts: rig and figure, and how it stands."""
    return [(f"{each.rig}, {each.title}", chart_words(each)) for each in found.charts]


def chart_words(each: ReferenceChart) -> str:
    """`15 nights, newest 81.2 mN·m, limits 79.1 to 83.3 mN·m from the first 12, rough: in control`."""
    newest = quantity(each.nights[-1].value, each.unit, beside=each.high or 0.0)
    head = f"{counted(len(each.nights), 'night')}, newest {newest}"
    if each.low is None or each.high is None:
        return f"{head}; not judged: limits need {HISTORY_MIN + NEWEST} nights that differ"
    limits = f"limits {span(each.low, each.high, each.unit)} from the first {each.history}{', rough' if each.history < ROUGH else ''}"
    broken = [night for night in each.nights[-NEWEST:] if night.signal]
    if not broken:
        older = sum(bool(night.signal) for night in each.nights)
        before = f"; {counted(older, 'earlier night')} broke a rule" if older else ""
        return f"{head}, {limits}: in control{before}"
    return f"{head}, {limits}: moved, {broken[-1].signal} in {broken[-1].run}"
