"""Two runs held against each other: figure by figure with the ± of the difference, order by order, angle by angle."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
import pandas as pd

from nightturn.errors import StorageError
from nightturn.estimation.curves import BACK, FORWARD
from nightturn.estimation.figures import FIGURES, FigureSpec
from nightturn.estimation.night_figure import Difference, difference, night_figure, remounting
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import INTERVAL_IS, Figure
from nightturn.model.phases import HOLD
from nightturn.model.quantities import interval, number, quantity
from nightturn.model.tiles import Float64s
from nightturn.report.night import ReportNight
from nightturn.sentences.names import isolated
from nightturn.storage.files import RealFiles
from nightturn.storage.judged import JudgedCycle, judged_again, judged_chunks

ORDERS_SHOWN = 12
"""Orders that differ most, of those that lie above both noises."""
S_PER_H = 3600.0
MANY = 1.96
"""Of a normal distribution, 95 %."""
SPEED_REL = 0.01
"""Two speeds or torques that differ by no more are the same."""


class FigureLine(msgspec.Struct, frozen=True):
    """One figure of both runs in one direction of the hold or of both passes; in the figure's unit.

    Where `refused` says why, nothing was compared.
    """

    figure: str
    title: str
    one: float | None = None
    one_half: float | None = None
    other: float | None = None
    other_half: float | None = None
    difference: float | None = None
    difference_half: float | None = None
    relative_pct: float | None = None
    word: str = ""
    shared: tuple[str, ...] = ()
    refused: str = ""


class OrderLine(msgspec.Struct, frozen=True):
    """One order of the hold in both runs: mean peak amplitude, N·m, and the standard uncertainty of their difference."""

    order: int
    one_nm: float
    other_nm: float
    u_nm: float


class Comparison(msgspec.Struct, frozen=True):
    """What two runs say of each other.

    Attributes:
        one, other: which they are, in words.
        known: what differs beside the units: rig, calibration, plan, rated torque, method; each a sentence.
        figures, orders: line by line. angle: whether angles can be held against each other, and what they say.
    """

    one: str
    other: str
    known: tuple[str, ...]
    figures: tuple[FigureLine, ...]
    orders: tuple[OrderLine, ...]
    angle: str
    interval_is: str


@dataclass(frozen=True, slots=True)
class Means:
    """Torque over the turn and orders, each as the mean of a run's cycles; empty where there is none."""

    forward_nm: Float64s
    back_nm: Float64s
    amplitude_nm: Float64s
    amplitude_u_nm: Float64s


def compared(one: ReportNight, other: ReportNight, last_h: float | None = None) -> Comparison:
    """Hold two runs against each other; differences are of the first less the second.

    Args:
        one: a run.
        other: another.
        last_h: only cycles of the last hours of each, because the mean of a night in which something changed says little.

    Raises:
        CorruptFileError: figures of a run cannot be read.
    """
    figures = (_figures(one, last_h), _figures(other, last_h))
    lines = tuple(_lines(one, other, *figures))
    kinds = sorted({each.kind for found in figures for each in found.values() if each is not None})
    ours, theirs = means_of(one, last_h), means_of(other, last_h)
    return Comparison(
        one=_which(one, last_h),
        other=_which(other, last_h),
        known=tuple(_known(one, other)),
        figures=lines,
        orders=tuple(_orders(ours, theirs)),
        angle=_angle(one, other, ours, theirs),
        interval_is="; ".join(INTERVAL_IS[each] for each in kinds),
    )


def _which(night: ReportNight, last_h: float | None = None) -> str:
    card = night.settings.card
    count = len(_cycle_numbers(night, last_h))
    part = "" if last_h is None else f" of the last {number(last_h)} h"
    made = f", figures made again by method {night.method}" if night.method else ""
    return f"{isolated(night.unit)} ({card.variant}) on {night.run.fixture}, run {night.run.run}, {count} cycles{part}{made}"


def _cycle_numbers(night: ReportNight, last_h: float | None) -> frozenset[int]:
    """Which cycles are looked at."""
    ended = night.ended_ts
    if last_h is None or not len(ended):
        return frozenset(night.cycles["cycle_no"].tolist())
    late = ended > int(ended[-1]) - round(last_h * S_PER_H * NS_PER_S)
    return frozenset(night.cycles["cycle_no"][late].tolist())


def _figures(night: ReportNight, last_h: float | None) -> dict[str, Figure | None]:
    """Each figure of a run over the night."""
    return {name: night_figure(name, each) for name, each in cycle_figures(night, last_h).items()}


def cycle_figures(night: ReportNight, last_h: float | None = None) -> dict[str, list[Figure]]:
    """Each figure of a run, cycle by cycle, with its budget.

    Raises:
        StorageError: the run is in an object store.
    """
    wanted = _cycle_numbers(night, last_h)
    files = night.run.stored
    if files.local is None:
        raise StorageError("runs in an object store are not compared; copy them below a data root first")
    names = list(FIGURES)
    found: dict[str, list[Figure]] = {name: [] for name in names}

    for cycle in _judged(night, RealFiles(files.local), names):
        for figure in cycle.figures if cycle.cycle_no in wanted else ():
            found[figure.name].append(figure)
    return found


def _judged(night: ReportNight, files: RealFiles, names: Sequence[str]) -> Iterator[JudgedCycle]:
    """The cycles of a run, as recorded or as its method made them again."""
    fixture, run = night.run.fixture, night.run.run
    if night.method:
        yield from judged_again(files, night.method, fixture, run, names)
        return
    for chunk in judged_chunks(files, fixture, run, names):
        yield from chunk.cycles


def _lines(
    one: ReportNight, other: ReportNight, ours: dict[str, Figure | None], theirs: dict[str, Figure | None]
) -> Iterator[FigureLine]:
    mountings = _mountings(one, other)
    for name, spec in FIGURES.items():
        a, b = ours[name], theirs[name]
        if a is None and b is None:
            continue
        why = _refused(one, other, name)
        if why or a is None or b is None:
            missing = "" if why else f"{_which(one if a is None else other)} has no judged value"
            yield FigureLine(name, _short(spec), refused=why or missing)
            continue
        yield _line(name, _short(spec), difference(a, b, mountings.get(name)))


def _short(spec: FigureSpec) -> str:
    """A figure's name in a list."""
    return spec.heading or spec.followed or spec.spoken.partition(",")[0]


def _line(name: str, title: str, found: Difference) -> FigureLine:
    return FigureLine(
        figure=name,
        title=title,
        one=found.one,
        one_half=found.one_half,
        other=found.other,
        other_half=found.other_half,
        difference=found.value,
        difference_half=found.half,
        relative_pct=found.relative_pct,
        word=found.word,
        shared=found.shared,
    )


def _refused(one: ReportNight, other: ReportNight, figure: str) -> str:
    """Why a figure of both runs cannot be held against each other; empty where it can."""
    plans = (one.settings.fixture.plan, other.settings.fixture.plan)
    if FIGURES[figure].phase == HOLD:
        holds = [plan.hold for plan in plans]
        if holds[0] is None or holds[1] is None:
            return "not compared: a plan has no hold"
        if not _same(holds[0].speed_rpm, holds[1].speed_rpm):
            return f"not compared: held at {number(holds[0].speed_rpm)} rpm and at {number(holds[1].speed_rpm)} rpm"
        if not _same(abs(holds[0].torque_nm), abs(holds[1].torque_nm)):
            return (
                f"not compared: holding {number(holds[0].torque_nm)} N·m and {number(holds[1].torque_nm)} N·m"
            )
    elif not _same(plans[0].slow_turn.speed_rpm, plans[1].slow_turn.speed_rpm):
        speeds = [number(plan.slow_turn.speed_rpm) for plan in plans]
        return f"not compared: turned at {speeds[0]} rpm and at {speeds[1]} rpm"
    methods = {_method(night, figure) for night in (one, other)}
    if len(methods) > 1:
        return (
            "not compared: made by different versions of the method; `nightturn reanalyse` makes both by one"
        )
    return ""


def _same(one: float, other: float) -> bool:
    return abs(one - other) <= SPEED_REL * max(abs(one), abs(other))


def _method(night: ReportNight, figure: str) -> int | None:
    column = night.cycles.get(f"{figure}_method")
    return None if column is None or not len(column.dropna()) else int(column.dropna().iloc[-1])


def _known(one: ReportNight, other: ReportNight) -> Iterator[str]:
    """What differs beside the units."""
    mine, theirs = one.settings, other.settings
    if mine.fixture.id != theirs.fixture.id:
        yield f"measured on different fixtures, {mine.fixture.id} and {theirs.fixture.id}"
    if mine.fixture.transducer.serial != theirs.fixture.transducer.serial:
        yield (
            f"measured through different transducers, {mine.fixture.transducer.serial or 'one not named'} and "
            f"{theirs.fixture.transducer.serial or 'one not named'}: what each states of itself does not cancel"
        )
    elif mine.calibration.id != theirs.calibration.id:
        yield f"under different calibration records, {mine.calibration.id} and {theirs.calibration.id}"
    if mine.variant.rated_torque_nm != theirs.variant.rated_torque_nm:
        rated = [quantity(each.variant.rated_torque_nm, "N·m") for each in (mine, theirs)]
        yield f"rated for different torques, {rated[0]} and {rated[1]}: compare what is in % of rated torque"
    if (mine.variant.pole_pairs, mine.variant.slots) != (theirs.variant.pole_pairs, theirs.variant.slots):
        yield "of different pole pairs or slots: orders and angles are not those of one design"


def _mountings(one: ReportNight, other: ReportNight) -> dict[str, tuple[float, float]]:
    """What remounting does to each figure, from the mountings of either unit on record, where there are enough."""
    found: dict[str, tuple[float, float]] = {}
    for night in (one, other):
        for name, means in night.mounting_means.items():
            scatter = remounting(means)
            if scatter is not None and (name not in found or scatter[1] > found[name][1]):
                found[name] = scatter
    return found


def _mounting(night: ReportNight) -> tuple[str, str, str]:
    card = night.settings.card
    return night.run.fixture, card.unit, card.mounted_utc


def means_of(night: ReportNight, last_h: float | None) -> Means:
    """Torque over the turn and the orders of the hold, as means over the cycles."""
    curves = night.curves[night.curves["cycle_no"].isin(_cycle_numbers(night, last_h))]
    turns = {leg: _stacked(curves, leg, "torque_nm") for leg in (FORWARD, BACK)}
    amplitude = _stacked(curves, HOLD, "amplitude_nm")
    count = len(amplitude)
    u = amplitude.std(axis=0, ddof=1) / np.sqrt(count) if count > 1 else np.full(amplitude.shape[1:], np.nan)
    return Means(
        turns[FORWARD].mean(axis=0) if len(turns[FORWARD]) else np.empty(0),
        turns[BACK].mean(axis=0) if len(turns[BACK]) else np.empty(0),
        amplitude.mean(axis=0) if count else np.empty(0),
        np.asarray(u, np.float64) if count else np.empty(0),
    )


def _stacked(curves: pd.DataFrame, leg: str, column: str) -> Float64s:
    rows = [np.asarray(each, np.float64) for each in curves[curves["leg"] == leg][column] if len(each)]
    points = max((len(each) for each in rows), default=0)
    return np.array([each for each in rows if len(each) == points], np.float64).reshape(-1, points)


def _orders(ours: Means, theirs: Means) -> Iterator[OrderLine]:
    """Those orders that differ most in standard uncertainties."""
    count = min(len(ours.amplitude_nm), len(theirs.amplitude_nm))
    if not count:
        return
    u = np.hypot(ours.amplitude_u_nm[:count], theirs.amplitude_u_nm[:count])
    off = np.abs(ours.amplitude_nm[:count] - theirs.amplitude_nm[:count])
    far = np.divide(off, u, out=np.zeros(count), where=u > 0)
    for at in sorted(np.argsort(-far, kind="stable")[:ORDERS_SHOWN].tolist()):
        if far[at] > 3.0:
            yield OrderLine(
                at + 1, float(ours.amplitude_nm[at]), float(theirs.amplitude_nm[at]), float(u[at])
            )


def _angle(one: ReportNight, other: ReportNight, ours: Means, theirs: Means) -> str:
    """Whether angles of both runs are the same places of the rotor, and where they differ most."""
    if (
        not len(ours.forward_nm)
        or not len(theirs.forward_nm)
        or not len(ours.back_nm)
        or not len(theirs.back_nm)
    ):
        return "angles are not compared: a run has no whole turn in both senses"
    references = {night.settings.fixture.encoder.reference for night in (one, other)}
    if references & {"none"}:
        return (
            "angles are not compared: an encoder has no index mark, so its zero is where it was switched on"
        )
    if _mounting(one) != _mounting(other):
        return (
            "angles are not compared: between two mountings no mark ties the rotor to the encoder's zero; both are drawn from "
            "their own zero"
        )
    if len(ours.forward_nm) != len(theirs.forward_nm):
        return "angles are not compared: the turns have a different number of points"
    friction = [np.abs(each.back_nm - each.forward_nm) / 2 for each in (ours, theirs)]
    off = friction[0] - friction[1]
    at = int(np.nanargmax(np.abs(off)))
    return (
        f"friction differs most at {number(round((at + 0.5) * 360 / len(off), 1))}°, by {quantity(float(off[at]), 'N·m', digits=3)}, "
        f"by {quantity(float(np.nanmean(off)), 'N·m', digits=3)} over the turn"
    )


def figure_rows(found: Comparison) -> list[tuple[FigureLine, str]]:
    """Each figure with its sentence: `80.1 ± 0.3 mN·m and 92.7 ± 1.3 mN·m; −12.6 ± 1.4 mN·m (−13.6 %): the difference is real`."""
    return [(line, _words(line)) for line in found.figures]


def order_rows(found: Comparison) -> list[tuple[str, str, str, str]]:
    """Orders as texts: number, both amplitudes, their difference with its 95 % interval for many cycles."""
    return [
        (
            str(each.order),
            quantity(each.one_nm, "N·m", digits=3),
            quantity(each.other_nm, "N·m", digits=3),
            interval(each.one_nm - each.other_nm, MANY * each.u_nm, "N·m"),
        )
        for each in found.orders
    ]


def _words(line: FigureLine) -> str:
    if line.refused or line.one is None or line.other is None or line.difference is None:
        return line.refused
    unit = FIGURES[line.figure].unit
    ends = [
        interval(value, half or 0.0, unit)
        for value, half in ((line.one, line.one_half), (line.other, line.other_half))
    ]
    text = interval(line.difference, line.difference_half or 0.0, unit, beside=line.difference_half or 0.0)
    share = "" if line.relative_pct is None else f" ({number(line.relative_pct, 3)} %)"
    return f"{ends[0]} and {ends[1]}; {text}{share}: {line.word}"
