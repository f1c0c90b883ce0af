"""All units of a variant: each with its newest verdict, what is expected of the next ones, and who may be released."""

from collections.abc import Sequence

import msgspec

from nightturn.errors import RunNotFoundError
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.tolerance import OUTLYING, UNITS_MIN, factor, robust_scores
from nightturn.model.nights import LimitVerdict
from nightturn.model.purposes import ENGINEERING, RELEASE
from nightturn.model.quantities import fixed, interval, quantity
from nightturn.model.verdicts import ACCEPT, MAX, NOT_JUDGED
from nightturn.sentences.purpose import purpose_reasons, purpose_word
from nightturn.settings.mistakes import did_you_mean
from nightturn.storage.runs import RunSummary

RIG_FACTOR = 2.0
"""Two rigs whose means differ by more than so many standard uncertainties of the difference are named."""
RIG_UNITS_MIN = 3


class UnitLine(msgspec.Struct, frozen=True):
    """A unit of the batch: its newest run with a verdict, on which fixture, its verdict, how many nights there are of it, and for what it may be used."""

    unit: str
    fixture: str
    run: str
    verdict: str
    nights: int
    purpose: str = ENGINEERING
    engineering_because: tuple[str, ...] = ()


class FigureOfUnit(msgspec.Struct, frozen=True):
    """One figure of a unit: mean of its newest night with the half of its 95 % interval; robust standard deviations off the others."""

    unit: str
    fixture: str
    value: float
    half: float | None
    score: float

    @property
    def outlying(self) -> bool:
        """Whether it lies apart from the others."""
        return abs(self.score) > OUTLYING


class FigureOfBatch(msgspec.Struct, frozen=True):
    """One limit's figure over the units of the batch.

    Attributes:
        figure, title, unit: which. limit, upper: the newest one, and whether more is forbidden.
        values: unit by unit. mean, scatter: of the accepted units; None with fewer than two.
        expected: within which 95 % of such units lie with 95 % confidence, one-sided; None with too few accepted units.
        rig: what the rigs have to do with it, a sentence.
    """

    figure: str
    title: str
    unit: str
    limit: float
    upper: bool
    values: tuple[FigureOfUnit, ...]
    accepted: int
    mean: float | None
    scatter: float | None
    expected: float | None
    rig: str


class Batch(msgspec.Struct, frozen=True):
    """A variant's units.

    Attributes:
        units: in the order of their serials. released: serials that their newest verdict accepts, for release. accepted: also those for engineering only.
        figures: those that the variant limits.
    """

    variant: str
    units: tuple[UnitLine, ...]
    figures: tuple[FigureOfBatch, ...]
    nights: int

    @property
    def released(self) -> tuple[str, ...]:
        """Units whose newest verdict is accept and a release."""
        return tuple(each.unit for each in self.units if each.verdict == ACCEPT and each.purpose == RELEASE)

    @property
    def accepted(self) -> tuple[str, ...]:
        """Units whose newest verdict is accept, for whatever purpose."""
        return tuple(each.unit for each in self.units if each.verdict == ACCEPT)

    @property
    def held_back(self) -> tuple[tuple[str, str], ...]:
        """Accepted units that may not be released, each with why."""
        return tuple(
            (each.unit, f"accepted for engineering only: {'; '.join(each.engineering_because)}")
            for each in self.units
            if each.verdict == ACCEPT and each.purpose != RELEASE
        )


def batch_of(runs: Sequence[RunSummary], variant: str) -> Batch:
    """The batch of a variant from all runs, the newest first.

    Raises:
        RunNotFoundError: no run of that variant; names those there are.
    """
    own = [each for each in runs if each.variant == variant and each.unit]
    if not own:
        known = sorted({each.variant for each in runs if each.variant})
        near = did_you_mean(variant, known)
        raise RunNotFoundError(f"no run of variant {variant!r}{near}; there are {', '.join(known) or 'none'}")
    newest: dict[str, RunSummary] = {}
    for each in own:
        if each.unit not in newest or (
            newest[each.unit].night_verdict is None and each.night_verdict is not None
        ):
            newest[each.unit] = each
    lines = tuple(_unit(newest[unit], sum(each.unit == unit for each in own)) for unit in sorted(newest))
    return Batch(variant, lines, figures_of([newest[unit] for unit in sorted(newest)]), len(own))


def _unit(run: RunSummary, nights: int) -> UnitLine:
    verdict = run.night_verdict
    if verdict is None:
        return UnitLine(run.unit, run.fixture, run.run, NOT_JUDGED, nights)
    purpose, because = purpose_word(verdict), purpose_reasons(verdict)
    return UnitLine(run.unit, run.fixture, run.run, verdict.word, nights, purpose, because)


def figures_of(newest: Sequence[RunSummary]) -> tuple[FigureOfBatch, ...]:
    """Each figure that the verdicts of runs limit, over the units; a run a unit."""
    found: dict[tuple[str, str], list[tuple[RunSummary, LimitVerdict]]] = {}
    for run in newest:
        for each in run.night_verdict.limits if run.night_verdict is not None else ():
            if each.value is not None:
                found.setdefault((each.figure, each.direction), []).append((run, each))
    return tuple(_figure(figure, direction, rows) for (figure, direction), rows in found.items())


def _figure(figure: str, direction: str, rows: Sequence[tuple[RunSummary, LimitVerdict]]) -> FigureOfBatch:
    scores = robust_scores([each.value or 0.0 for _, each in rows])
    values = tuple(
        FigureOfUnit(run.unit, run.fixture, each.value or 0.0, _half(each), score)
        for (run, each), score in zip(rows, scores, strict=True)
    )
    accepted = [
        each.value or 0.0
        for run, each in rows
        if run.night_verdict is not None and run.night_verdict.word == ACCEPT
    ]
    mean = scatter = expected = None
    if len(accepted) >= 2:
        mean = sum(accepted) / len(accepted)
        scatter = (sum((each - mean) ** 2 for each in accepted) / (len(accepted) - 1)) ** 0.5
    upper = direction == MAX
    if mean is not None and scatter is not None and len(accepted) >= UNITS_MIN:
        expected = mean + (1 if upper else -1) * factor(len(accepted)) * scatter
    return FigureOfBatch(
        figure, FIGURES[figure].spoken, FIGURES[figure].unit, rows[0][1].limit, upper, values, len(accepted), mean, scatter, expected, _rigs(values)
    )  # fmt: skip


def _half(each: LimitVerdict) -> float | None:
    return coverage_factor(each.nu) * each.u if each.u is not None and each.nu is not None else None


def _rigs(values: Sequence[FigureOfUnit]) -> str:
    """Whether the rig on which a unit was measured has to do with its value."""
    by_rig: dict[str, list[float]] = {}
    for each in values:
        by_rig.setdefault(each.fixture, []).append(each.value)
    if len(by_rig) < 2:
        return "all were measured on one fixture, so nothing can be said of the rig"
    enough = {rig: found for rig, found in by_rig.items() if len(found) >= RIG_UNITS_MIN}
    if len(enough) < 2:
        return f"fewer than two fixtures have {RIG_UNITS_MIN} units, so nothing can be said of the rig"
    means = {rig: sum(found) / len(found) for rig, found in enough.items()}
    spread = sum(sum((value - means[rig]) ** 2 for value in found) for rig, found in enough.items())
    freedom = sum(len(found) - 1 for found in enough.values())
    within = (spread / freedom) ** 0.5
    low, high = min(means, key=lambda rig: means[rig]), max(means, key=lambda rig: means[rig])
    u = within * (1 / len(enough[low]) + 1 / len(enough[high])) ** 0.5
    if means[high] - means[low] <= RIG_FACTOR * coverage_factor(freedom) / 2 * u:
        return "the fixtures do not differ by more than their units scatter"
    return f"{high} reads higher than {low}: look at the rigs before the units"


def verdict_rows(batch: Batch) -> list[tuple[str, ...]]:
    """Each unit as texts: serial, fixture, verdict with its purpose, nights."""
    return [
        (each.unit, each.fixture, f"{each.verdict}, {each.purpose}", str(each.nights)) for each in batch.units
    ]


def figure_words(each: FigureOfBatch) -> str:
    """`6 units, 4 accepted: 80.9 ± 0.8 mN·m; 95 % of such units are expected below 84 mN·m (95 % confidence), limit 100 mN·m; …`."""
    parts = [f"{len(each.values)} unit{'' if len(each.values) == 1 else 's'}, {each.accepted} accepted"]
    if each.mean is not None and each.scatter is not None:
        parts.append(f"mean and scatter of the accepted {interval(each.mean, each.scatter, each.unit)}")
    side = "below" if each.upper else "above"
    limit = quantity(each.limit, each.unit, beside=each.mean or 0.0)
    if each.expected is not None:
        within = quantity(each.expected, each.unit, beside=each.limit)
        parts.append(f"with 95 % confidence 95 % of such units lie {side} {within}, limit {limit}")
    else:
        parts.append(f"what to expect of others needs {UNITS_MIN} accepted units, limit {limit}")
    apart = [f"{unit.unit} ({fixed(unit.score, 1, signed=True)} σ)" for unit in each.values if unit.outlying]
    if apart:
        parts.append(f"apart from the others: {', '.join(apart)}")
    parts.append(each.rig)
    return "; ".join(parts)
