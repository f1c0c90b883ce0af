"""What a study says: for each figure how much of the scatter is from unit to unit, rig to rig, operator to operator, mounting to mounting."""

import math
from collections.abc import Iterator, Mapping, Sequence

import msgspec
import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.variance import Component, Factor, Variances, variances
from nightturn.model.quantities import fixed, quantity
from nightturn.model.tiles import Float64s
from nightturn.report.study_measured import DONE, Measured
from nightturn.settings.study import StudyPlan
from nightturn.unit_history.usable import counted

RIG, UNIT, OPERATOR, MOUNTING = "rig", "unit", "operator", "mounting"
TOLD_APART = 1.96 * math.sqrt(2.0)
"""Times the scatter of a single value: beyond it two values differ by more than chance, 95 % (ISO 5725-6, 4.1.4, from memory)."""


class ComponentLine(msgspec.Struct, frozen=True):
    """What one factor, or several together, add to the scatter of a night's mean: standard deviation with its 95 % interval, in the figure's unit."""

    words: str
    sd: float
    low: float
    high: float
    degrees: int
    share_pct: float


class FigureOfStudy(msgspec.Struct, frozen=True):
    """One figure of a study.

    Attributes:
        figure, title, unit: which.
        mean: of all values.
        lines: component by component.
        measuring: what everything but the units adds together: standard deviation, low, high.
        remounting, elsewhere: standard deviation and degrees of freedom of mountings alone, nights included, None where none is repeated; and of
            everything but the units.
        values: each mounting's mean with its unit, rig and operator.
    """

    figure: str
    title: str
    unit: str
    mean: float
    lines: tuple[ComponentLine, ...]
    measuring: tuple[float, float, float]
    remounting: tuple[float, float] | None
    elsewhere: tuple[float, float]
    values: tuple[tuple[str, str, str, float], ...]


class Study(msgspec.Struct, frozen=True):
    """A study as far as it has gone.

    Attributes:
        variant: of its units.
        measured: each planned mounting in its order. said: sentences on runs that are not used.
        rounds: mountings of every kind that are complete, of those planned.
        silent: factors of which nothing can be said, sentences.
        figures: empty while `waits` says for what.
    """

    variant: str
    measured: tuple[Measured, ...]
    said: tuple[str, ...]
    rounds: int
    silent: tuple[str, ...]
    figures: tuple[FigureOfStudy, ...]
    waits: str = ""

    @property
    def done(self) -> int:
        """Mountings that are complete."""
        return sum(each.state == DONE for each in self.measured)


def study_of(plan: StudyPlan, found: Sequence[Measured], said: Sequence[str] = ()) -> Study:
    """What a study says as far as it has gone: rounds in which every mounting is complete are used, others are not.

    Args:
        plan: as the person wrote it.
        found: of `measured`, in its order.
        said: sentences on runs that are not used.
    """
    left = {each.mounting.number for each in found if each.state != DONE}
    rounds = min(left, default=plan.mountings + 1) - 1
    silent = tuple(_silent(plan, rounds))
    figures: tuple[FigureOfStudy, ...] = ()
    waits = ""
    if rounds:
        try:
            figures = tuple(_figure(plan, found, rounds, name) for name in plan.figures)
        except ValueError as problem:
            waits = f"nothing is said yet: {problem}"
    else:
        waits = "nothing is said yet: the first round of mountings is not complete"
    return Study(plan.variant, tuple(found), tuple(said), rounds, silent, figures, waits)


def _silent(plan: StudyPlan, rounds: int) -> Iterator[str]:
    rig = plan.rigs[0]
    for name, count in (
        (RIG, len(plan.rigs)),
        (UNIT, len(plan.units_on(rig))),
        (OPERATOR, len(plan.operators_at(rig))),
    ):
        if count == 1:
            yield f"one {name}: nothing is said of what another {name} would do"
    if rounds == 1:
        yield "one mounting of each kind: what remounting does is in what is left"


def _figure(plan: StudyPlan, found: Sequence[Measured], rounds: int, figure: str) -> FigureOfStudy:
    used = [each for each in found if each.mounting.number <= rounds]
    values, factors = _array(plan, used, rounds, figure)
    judged = variances(values, factors)
    *terms, left = judged.components
    lines = (*(_line(each, judged, "") for each in terms), _line(left, judged, _left(values.shape[-1])))
    others = [each for each in judged.components if each.factors != (UNIT,)]
    again = [each for each in others if each.factors in ((MOUNTING,), ())]
    spec = FIGURES[figure]
    rows = tuple(
        (each.mounting.unit, each.mounting.rig, each.mounting.operator, float(np.mean(each.means[figure])))
        for each in used
    )
    return FigureOfStudy(
        figure=figure,
        title=spec.spoken,
        unit=spec.unit,
        mean=judged.mean,
        lines=lines,
        measuring=judged.together(others),
        remounting=_spread(judged, again) if rounds > 1 else None,
        elsewhere=_spread(judged, others),
        values=rows,
    )


def _spread(judged: Variances, wanted: Sequence[Component]) -> tuple[float, float]:
    """Standard deviation and degrees of freedom of some components together."""
    return judged.together(wanted)[0], judged.freedom(wanted)


def _array(
    plan: StudyPlan, used: Sequence[Measured], rounds: int, figure: str
) -> tuple[Float64s, list[Factor]]:
    """Values by rig, unit, operator, mounting and night, without axes that have one level, and the factors that are left."""
    by_kind: Mapping[tuple[str, str, str, int], tuple[float, ...]] = {
        (each.mounting.rig, each.mounting.unit, each.mounting.operator, each.mounting.number): each.means[
            figure
        ]
        for each in used
    }
    values = np.array(
        [
            [
                [
                    [by_kind[rig, unit, operator, number] for number in range(1, rounds + 1)]
                    for operator in plan.operators_at(rig)
                ]
                for unit in plan.units_on(rig)
            ]
            for rig in plan.rigs
        ],
        np.float64,
    )
    within = {UNIT: plan.units_of, OPERATOR: plan.operators_of}
    named = [RIG, UNIT, OPERATOR]
    kept = [name for name, count in zip(named, values.shape[:3], strict=True) if count > 1]
    factors = [
        Factor(name, values.shape[named.index(name)], (RIG,) if within.get(name) and RIG in kept else ())
        for name in kept
    ]
    if rounds > 1:
        factors.append(Factor(MOUNTING, rounds, tuple(kept)))
    dropped = [axis for axis in range(4) if values.shape[axis] == 1]
    return np.squeeze(values, axis=tuple(dropped)), factors


def _line(each: Component, judged: Variances, left: str) -> ComponentLine:
    whole = sum(one.sd**2 for one in judged.components)
    share = 100.0 * each.sd**2 / whole if whole else 0.0
    return ComponentLine(f"{_words(each.factors)}{left}", each.sd, each.low, each.high, each.degrees, share)


def _left(nights: int) -> str:
    """What the last component has in it beside its name."""
    return "" if nights > 1 else " and all that is left"


def _words(factors: tuple[str, ...]) -> str:
    """Whose a component is: `from rig to rig`, `rig and unit together`."""
    if not factors:
        return "from night to night on one mounting"
    return f"from {factors[0]} to {factors[0]}" if len(factors) == 1 else f"{', '.join(factors)} together"


def component_rows(figure: FigureOfStudy) -> list[tuple[str, str]]:
    """Each component as texts: whose, and how much with its interval and its share."""
    return [
        (
            each.words,
            _component_words(each, figure.unit),
        )
        for each in figure.lines
    ]


def _component_words(each: ComponentLine, unit: str) -> str:
    size = quantity(each.sd, unit, digits=2) if each.sd > 0 else "none seen"
    low, high = quantity(each.low, unit, digits=2, beside=each.high), quantity(each.high, unit, digits=2)
    between = f"below {high}" if each.low <= 0 else f"{low} to {high}"
    return f"{size} (95 %: {between}), {fixed(each.share_pct, 1)} % of the variance, {counted(each.degrees, 'degree')} of freedom"


def measuring_words(figure: FigureOfStudy) -> str:
    """What a single night's value is good for, as a sentence."""
    sd, apart = (_between(figure.measuring, figure.unit, times) for times in (1.0, TOLD_APART))
    return (
        f"measuring alone, on any of these rigs, scatters by {sd} about {quantity(figure.mean, figure.unit)}; with one night each, two "
        f"units differ beyond doubt only by more than {apart}"
    )


def _between(sd: tuple[float, float, float], unit: str, times: float) -> str:
    """So many times a standard deviation, with its 95 % interval."""
    size, low, high = (times * each for each in sd)
    return f"{quantity(size, unit, digits=2)} (95 %: {quantity(low, unit, digits=2)} to {quantity(high, unit, digits=2)})"
