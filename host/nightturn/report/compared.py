"""Two runs held against each other: figure by figure with the ± of the difference, order by order, angle by angle."""

import math
from collections.abc import Iterator, Sequence

import msgspec
import numpy as np

from nightturn.errors import StorageError
from nightturn.estimation.figures import FIGURES, FigureSpec
from nightturn.estimation.night_figure import NOT_SHOWN, REAL, Difference, difference, night_figure
from nightturn.model.figures import INTERVAL_IS, Figure
from nightturn.model.phases import HOLD
from nightturn.model.quantities import interval, number, quantity
from nightturn.report.both_turns import Means, cycle_numbers, turns_of
from nightturn.report.mountings import scatters
from nightturn.report.night import ReportNight
from nightturn.sentences.names import isolated
from nightturn.sentences.purpose import run_purpose
from nightturn.storage.files import RealFiles
from nightturn.storage.judged import JudgedCycle, judged_again, judged_chunks

ORDERS_SHOWN = 12
"""Orders that differ most, of those that lie above both noises."""
S_PER_H = 3600.0
MANY = 1.96
"""Of a normal distribution, 95 %."""
REAL_SHOWN = 3
"""Figures of the first sentence."""
MOVED = 10.0
"""A mean whose interval is so many times that of one cycle is of a figure that moved."""
MOVED_SHOWN = 3
SPEED_REL = 0.01
"""Two speeds or torques that differ by no more are the same."""


class FigureLine(msgspec.Struct, frozen=True):
    """One figure of both runs in one direction of the hold or of both passes; in the figure's unit.

    Where `refused` says why, nothing was compared; `rests_on` is where a scatter is known from that the difference lies within.
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
    rests_on: str = ""
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
        purposes: what each run may be used for: release, or engineering and why.
        figures, orders: line by line. angle: whether angles can be held against each other, and what they say.
        beware: what a reader could take for more than it is; each a sentence.
    """

    one: str
    other: str
    known: tuple[str, ...]
    purposes: tuple[str, ...]
    figures: tuple[FigureLine, ...]
    orders: tuple[OrderLine, ...]
    angle: str
    interval_is: str
    beware: tuple[str, ...] = ()


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
    turns = turns_of(one, other, last_h)
    return Comparison(
        one=_which(one, last_h),
        other=_which(other, last_h),
        known=tuple(_known(one, other)),
        purposes=tuple(
            f"{name} is {run_purpose(each.summary.night_verdict)}"
            for name, each in (("A", one), ("B", other))
        ),
        figures=lines,
        orders=tuple(_orders(turns.one, turns.other)),
        angle=turns.words,
        interval_is="; ".join(INTERVAL_IS[each] for each in kinds),
        beware=tuple(_beware(lines, one, other, last_h)),
    )


def _beware(
    lines: Sequence[FigureLine], one: ReportNight, other: ReportNight, last_h: float | None
) -> Iterator[str]:
    """How often chance alone looks like a difference, and which means hide a change."""
    if any(line.word == REAL for line in lines):
        yield "with nothing different about one figure in 20 would read as real, and one order in 370 be listed"
    for name, night in (("A", one), ("B", other)) if last_h is None else ():
        halves = [line.one_half if name == "A" else line.other_half for line in lines]
        moved = [
            line.title
            for line, half in zip(lines, halves, strict=True)
            if half is not None and half > MOVED * _usual_half(night, line.figure)
        ]
        if moved:
            more = f" and {len(moved) - MOVED_SHOWN} more" if len(moved) > MOVED_SHOWN else ""
            yield (
                f"within the night of {name} these moved: {'; '.join(moved[:MOVED_SHOWN])}{more}: their mean has a wide ± and hides "
                "what became of them; --last HOURS compares how both ended"
            )


def _usual_half(night: ReportNight, figure: str) -> float:
    """Half of the 95 % interval of one cycle, as half of them have it; infinite where none is known."""
    halves = night.halves(figure)
    known = halves[np.isfinite(halves)]
    return float(np.median(known)) if len(known) else math.inf


def _which(night: ReportNight, last_h: float | None = None) -> str:
    card = night.settings.card
    count = len(cycle_numbers(night, last_h))
    part = "" if last_h is None else f" of the last {number(last_h)} h"
    made = f", figures made again by method {night.method}" if night.method else ""
    return f"{isolated(night.unit)} ({card.variant}) on {night.run.fixture}, run {night.run.run}, {count} cycles{part}{made}"


def _figures(night: ReportNight, last_h: float | None) -> dict[str, Figure | None]:
    """Each figure of a run over the night."""
    return {name: night_figure(name, each) for name, each in cycle_figures(night, last_h).items()}


def cycle_figures(night: ReportNight, last_h: float | None = None) -> dict[str, list[Figure]]:
    """Each figure of a run, cycle by cycle, with its budget.

    Raises:
        StorageError: the run is in an object store.
    """
    wanted = cycle_numbers(night, last_h)
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
    again = scatters(one, other)
    for name, spec in FIGURES.items():
        a, b = ours[name], theirs[name]
        if a is None and b is None:
            continue
        why = _refused(one, other, name)
        if why or a is None or b is None:
            missing = "" if why else f"{_which(one if a is None else other)} has no judged value"
            yield FigureLine(name, _short(spec), refused=why or missing)
            continue
        yield _line(name, _short(spec), difference(a, b, again.get(name)))


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
        rests_on=found.rests_on,
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
    if (one.run.fixture, one.run.run, one.method) == (other.run.fixture, other.run.run, other.method):
        yield "A and B are the same run, so nothing can differ"
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


def headline(found: Comparison) -> str:
    """`The difference is real: friction of A is 12.6 ± 1.4 mN·m lower. None is shown in the other 9.`; what remounting does is none."""
    compared_lines = [line for line in found.figures if not line.refused]
    if not compared_lines:
        return "Nothing could be compared."
    real = [line for line in compared_lines if line.word == REAL]
    others = len(compared_lines) - len(real)
    if not real:
        return f"No real difference is shown in any of {others} figures."
    said = "; ".join(map(_higher, real[:REAL_SHOWN]))
    more = f"; and in {len(real) - REAL_SHOWN} more" if len(real) > REAL_SHOWN else ""
    rest = f". None is shown in the other {others}." if others else "."
    return f"The difference is real: {said}{more}{rest}"


def _higher(line: FigureLine) -> str:
    """`ripple of A is 11.9 ± 1.3 mN·m higher`."""
    off, half = line.difference or 0.0, line.difference_half or 0.0
    size = interval(abs(off), half, FIGURES[line.figure].unit, beside=half)
    return f"{line.title} of A is {size} {'higher' if off > 0 else 'lower'}"


def _off(line: FigureLine) -> str:
    """The difference with its interval."""
    half = line.difference_half or 0.0
    return interval(line.difference or 0.0, half, FIGURES[line.figure].unit, beside=half)


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
    text = _off(line)
    shown = line.relative_pct is not None and line.word != NOT_SHOWN
    share = f" ({number(line.relative_pct or 0.0, 3)} %)" if shown else ""
    known = f" ({line.rests_on})" if line.rests_on else ""
    return f"{ends[0]} and {ends[1]}; {text}{share}: {line.word}{known}"
