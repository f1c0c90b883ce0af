"""What has been measured of a study: each planned mounting with the nights that there are of it."""

import random
from collections.abc import Mapping, Sequence, Set
from pathlib import Path

import msgspec

from nightturn.errors import RunNotFoundError
from nightturn.model.purposes import RELEASE
from nightturn.settings.mistakes import listed
from nightturn.settings.study import StudyPlan
from nightturn.unit_history.life import COLUMNS
from nightturn.unit_history.nights import Night, nights_of

DONE, BEGUN, OPEN = "done", "begun", "open"


class Mounting(msgspec.Struct, frozen=True):
    """One planned mounting: which unit on which rig by whom, which of its kind, counted from 1."""

    unit: str
    rig: str
    operator: str
    number: int


class Measured(msgspec.Struct, frozen=True):
    """A planned mounting and what there is of it.

    Attributes:
        mounting: which.
        state: done, begun (nights are missing) or open.
        runs: its runs, oldest first, as many as the plan wants.
        means: by figure the mean of each of these nights.
        missing: why a run of it does not count, sentences.
        plan, methods: speeds and torque, in words, and by figure the version of the method; empty where nothing is measured.
    """

    mounting: Mounting
    state: str
    runs: tuple[str, ...] = ()
    means: Mapping[str, tuple[float, ...]] = msgspec.field(default_factory=dict)
    missing: tuple[str, ...] = ()
    plan: str = ""
    methods: Mapping[str, int] = msgspec.field(default_factory=dict)


def planned(plan: StudyPlan) -> list[Mounting]:
    """All mountings in the order in which to carry them out: drawn, so that time does not side with a rig or an operator.

    Every mounting of a round comes before the next round, so that a study that is broken off is balanced as far as it went.
    """
    found = []
    for number in range(1, plan.mountings + 1):
        turn = [
            Mounting(unit, rig, operator, number)
            for rig in plan.rigs
            for unit in plan.units_on(rig)
            for operator in plan.operators_at(rig)
        ]
        random.Random(f"{plan.order}/{number}").shuffle(turn)  # noqa: S311 - an order of work, no secret
        found += turn
    return found


def measured(root: Path, plan: StudyPlan) -> tuple[list[Measured], tuple[str, ...]]:
    """Each planned mounting in its order with what the data root has of it, and sentences on runs that are not used.

    Raises:
        RunNotFoundError: no such data root.
    """
    if not root.is_dir():
        raise RunNotFoundError(f"{root} does not exist; give the data root, `data` in bench.toml")
    said: list[str] = []
    nights: list[Night] = []
    for unit in dict.fromkeys(each.unit for each in planned(plan)):
        own, unread = _nights(root, unit)
        nights += own
        said += unread
    return matched(plan, nights, said)


def matched(
    plan: StudyPlan, nights: Sequence[Night], unread: Sequence[str] = ()
) -> tuple[list[Measured], tuple[str, ...]]:
    """The same from nights, each unit's oldest first; `unread` are sentences on runs that may be its and were not read."""
    order, said = planned(plan), list(unread)
    by_kind = _by_kind(_alike(nights, plan, said))
    kinds = {(each.unit, each.rig, each.operator) for each in order}
    for (unit, rig, operator), mountings in by_kind.items():
        if (unit, rig, operator) not in kinds:
            said.append(f"{unit} on {rig}, mounted by {operator}: not in the plan, not used")
        elif len(mountings) > plan.mountings:
            said.append(
                f"{unit} on {rig}, mounted by {operator}: {len(mountings)} mountings, the first {plan.mountings} are used"
            )
    found = [_measured(each, by_kind, plan) for each in order]
    said += _engineering(nights, {run for each in found for run in each.runs})
    return found, tuple(said)


def _engineering(nights: Sequence[Night], used: Set[str]) -> list[str]:
    """That not all runs that are used were for a release, in a sentence."""
    other = sum(night.run in used and night.purpose != RELEASE for night in nights)
    return (
        [f"of {len(used)} nights used {other} are engineering, no release: `nightturn runs RUN` says why"]
        if other
        else []
    )


def _nights(root: Path, unit: str) -> tuple[list[Night], tuple[str, ...]]:
    try:
        return nights_of(root, unit, COLUMNS)
    except RunNotFoundError:
        return [], ()


def _alike(nights: Sequence[Night], plan: StudyPlan, said: list[str]) -> list[Night]:
    """The nights of the variant that were measured as the newest was: at its speeds and torque, by its methods."""
    own = [night for night in nights if night.settings.card.variant == plan.variant]
    said += [
        f"{night.run} is of variant {night.settings.card.variant}, not used"
        for night in nights
        if night.settings.card.variant != plan.variant
    ]
    if not own:
        return []
    ways = {night.run: _way(night, plan) for night in own}
    newest = ways[max(own, key=lambda night: night.started_ts).run]
    said += [
        f"{night.run} was measured in another way than the newest ({ways[night.run]}; {newest}), not used"
        for night in own
        if ways[night.run] != newest
    ]
    return [night for night in own if ways[night.run] == newest]


def _way(night: Night, plan: StudyPlan) -> str:
    """Speeds, torque and the methods' versions, in words."""
    methods = [f"{figure} by method {method}" for figure, method in _methods(night, plan).items()]
    return ", ".join([night.place.plan, *methods])


def _by_kind(nights: Sequence[Night]) -> dict[tuple[str, str, str], list[list[Night]]]:
    """Nights by unit, rig and operator, and there by mounting, oldest first."""
    found: dict[tuple[str, str, str], dict[str, list[Night]]] = {}
    for night in nights:
        place = night.place
        kind = (night.settings.card.unit, place.fixture, place.operator)
        found.setdefault(kind, {}).setdefault(place.mounted_utc, []).append(night)
    return {kind: list(mountings.values()) for kind, mountings in found.items()}


def _measured(
    mounting: Mounting, by_kind: Mapping[tuple[str, str, str], Sequence[Sequence[Night]]], plan: StudyPlan
) -> Measured:
    mountings = by_kind.get((mounting.unit, mounting.rig, mounting.operator), ())
    if len(mountings) < mounting.number:
        return Measured(mounting, OPEN)
    good: list[tuple[Night, dict[str, float]]] = []
    missing = []
    for night in mountings[mounting.number - 1]:
        means = {figure: mean for figure in plan.figures if (mean := night.mean(figure)) is not None}
        lacking = [figure for figure in plan.figures if figure not in means]
        if lacking:
            missing.append(f"{night.run}: {night.problem or 'no judged value of ' + listed(lacking)}")
        else:
            good.append((night, means))
    good = good[: plan.nights]
    return Measured(
        mounting,
        DONE if len(good) == plan.nights else BEGUN,
        tuple(night.run for night, _ in good),
        {figure: tuple(means[figure] for _, means in good) for figure in plan.figures},
        tuple(missing),
        good[0][0].place.plan if good else "",
        {} if not good else _methods(good[0][0], plan),
    )


def _methods(night: Night, plan: StudyPlan) -> dict[str, int]:
    """By figure the version of the method, where it is known."""
    known = ((figure, night.method(figure)) for figure in plan.figures)
    return {figure: method for figure, method in known if method is not None}
