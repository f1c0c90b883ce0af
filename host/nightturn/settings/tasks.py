"""The rig as a run under a task has it: the plan is the task's, everything that protects stays as the rig file says."""

import msgspec

from nightturn.errors import ConfigError
from nightturn.model.cards import MountCard
from nightturn.model.tasks import BringUpTask, MeasureTask
from nightturn.settings.rig import CyclePlan, Exercise, FixtureSettings, SlowTurn

MEASURE_TURNS_MIN = 2
"""Turns of a slow pass and of the hold, at least: one says nothing of its own scatter."""


def under_task(settings: FixtureSettings, card: MountCard | None) -> FixtureSettings:
    """The fixture as a run of this card has it; unchanged for a night.

    Raises:
        ConfigError: the rig file lacks what the task needs.
    """
    if card is None or isinstance(card.task, msgspec.UnsetType):
        return settings
    if isinstance(card.task, BringUpTask):
        return settings  # nothing turns, so the plan says nothing
    return msgspec.structs.replace(settings, plan=_measuring(settings, card.task))


def _measuring(settings: FixtureSettings, task: MeasureTask) -> CyclePlan:
    """Slow turns both ways and the rig's hold, nothing else; the warm-up of the rig file where it is wanted."""
    plan = settings.plan
    if task.warm and plan.warm_up is None:
        allowed = "[fixture.plan.warm_up] in the rig file, or without --warm"
        raise ConfigError("has no warm-up", where=f"{settings.id}: plan", allowed=allowed)
    turns, hold = max(plan.slow_turn.revolutions, MEASURE_TURNS_MIN), plan.hold
    if hold is not None:
        hold = msgspec.structs.replace(hold, revolutions=max(hold.revolutions, MEASURE_TURNS_MIN))
    return msgspec.structs.replace(
        plan,
        slow_turn=SlowTurn(revolutions=turns, speed_rpm=plan.slow_turn.speed_rpm),
        hold=hold,
        exercise=Exercise(),
        warm_up=plan.warm_up if task.warm else None,
        soak=None,
        park=None,
        cycles=task.cycles,
    )
