"""The rig as a run under a task has it: the plan is the task's, everything that protects stays as the rig file says."""

import msgspec

from nightturn.errors import ConfigError
from nightturn.model.cards import MountCard
from nightturn.model.tasks import BringUpTask, FirstMovesTask, MeasureTask
from nightturn.settings.rig import CyclePlan, Exercise, FixtureSettings, Limit, SlowTurn, Travel
from nightturn.settings.validate import RAW_LIMIT

MEASURE_TURNS_MIN = 2
"""Turns of a slow pass and of the hold, at least: one says nothing of its own scatter."""

FIRST_MOVES = 2
"""Out and back."""
FIRST_RPM = 0.5
FIRST_TORQUE_SHARE = 0.05
"""Of the rated torque: more at the transducer ends the first moves."""
FIRST_TRAVEL_DEG = 9.5
"""To each side of where the first moves began; the planner spares half a degree beyond."""


def under_task(settings: FixtureSettings, card: MountCard | None) -> FixtureSettings:
    """The fixture as a run of this card has it; unchanged for a night.

    Raises:
        ConfigError: the rig file lacks what the task needs.
    """
    if card is None or isinstance(card.task, msgspec.UnsetType):
        return settings
    if isinstance(card.task, BringUpTask):
        return settings  # nothing turns, so the plan says nothing
    if isinstance(card.task, FirstMovesTask):
        return _first_moves(settings, card.task)
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


def _first_moves(settings: FixtureSettings, task: FirstMovesTask) -> FixtureSettings:
    """Narrower in all that protects than the rig file: travel, torque, speed; and nothing goes on by itself."""
    low, high = settings.travel.range_deg
    torque_nm = FIRST_TORQUE_SHARE * task.rated_torque_nm
    limit = settings.protect.get(RAW_LIMIT)
    if limit is not None:
        torque_nm = min(torque_nm, limit.max)
    plan = CyclePlan(
        slow_turn=SlowTurn(revolutions=1, speed_rpm=FIRST_RPM),
        dwell_s=settings.plan.dwell_s,
        cycles=FIRST_MOVES,
        when_disk_short=settings.plan.when_disk_short,
    )
    return msgspec.structs.replace(
        settings,
        plan=plan,
        travel=Travel(range_deg=(max(low, -FIRST_TRAVEL_DEG), min(high, FIRST_TRAVEL_DEG))),
        protect={**settings.protect, RAW_LIMIT: Limit(max=torque_nm)},
        after_restart="stay",
    )
