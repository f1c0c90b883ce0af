"""What is wrong with a plan's warm-up, soak and park that their shape cannot say. Pure."""

from collections.abc import Iterator

from nightturn.errors import ConfigError
from nightturn.model.phases import EXERCISE, HOLD, SLOW_TURN, SOAK, WARM_UP
from nightturn.model.quantities import fixed, number, typed
from nightturn.settings.mistakes import Place, shown
from nightturn.settings.rig import Channels, Conditioning, FixtureSettings

SPEED_CLASS_GAP = 0.15  # phases whose torque does not tell them apart are distinguished by their speed
MIN_PER_H = 60.0


def routine_mistakes(fixture: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    """Every contradiction in what a plan has beside its cycles; `place` is that of the plan."""
    plan = fixture.plan
    for phase, asked in plan.conditioning.items():
        inside = place.inside(phase)
        yield from _speed_mistakes(fixture, phase, asked, inside)
        if asked.until == "equilibrium":
            yield from _equilibrium_mistakes(asked, fixture.channels, inside)
        else:
            yield from _time_mistakes(asked, inside)
    if plan.soak is not None and plan.soak.every_cycles is not None:
        yield from _never(plan.soak.every_cycles, plan.cycles, place.inside(SOAK), "soaks again")
    if plan.park is not None:
        yield from _never(plan.park.every_cycles, plan.cycles, place.inside("park"), "parks")


def _speed_mistakes(
    fixture: FixtureSettings, phase: str, asked: Conditioning, place: Place
) -> Iterator[ConfigError]:
    """The samples alone say which phase they are of; at the speed of another one these strokes would be a cycle's."""
    plan = fixture.plan
    others = {SLOW_TURN: plan.slow_turn.speed_rpm}
    others |= {HOLD: plan.hold.speed_rpm} if plan.hold is not None else {}
    others |= {EXERCISE: plan.exercise.speed_rpm} if plan.exercise.strokes else {}
    others |= {WARM_UP: plan.warm_up.speed_rpm} if plan.warm_up is not None and phase == SOAK else {}
    for name, speed_rpm in others.items():
        if abs(asked.speed_rpm / speed_rpm - 1) <= SPEED_CLASS_GAP + 1e-9:
            slow, fast = speed_rpm * (1 - SPEED_CLASS_GAP), speed_rpm * (1 + SPEED_CLASS_GAP)
            what = f"{typed(asked.speed_rpm)} is too near {name}.speed_rpm = {typed(speed_rpm)}: phases are distinguished by speed"
            yield place.mistake("speed_rpm", what, f"below {number(slow)} or above {number(fast)}")


def _equilibrium_mistakes(asked: Conditioning, channels: Channels, place: Place) -> Iterator[ConfigError]:
    """What an equilibrium is judged by, and what follows without one, has to be said."""
    if asked.channel is None:
        what = 'is missing, and until = "equilibrium" needs the role of a temperature'
        yield place.mistake("channel", what, 'a role that [fixture.channels] names, such as "bearing"')
    elif asked.channel not in channels.given:
        what = f"{shown(asked.channel)} is no channel of this rig"
        allowed = f'its name in [fixture.channels], such as {asked.channel} = "t1"; or until = "time"'
        yield place.mistake("channel", what, allowed)
    if asked.k_per_h is None:
        what = "is missing: equilibrium is a change of less than so many K/h"
        yield place.mistake("k_per_h", what, "a number above 0, such as 1.0")
    if asked.otherwise is None:
        what = f"is missing: what follows when there is no equilibrium within {typed(asked.hours)} h"
        yield place.mistake("else", what, '"go_on", or "stop", which waits for a person')
    if asked.hours * MIN_PER_H <= asked.over_min:
        what = f"{typed(asked.hours)} is no longer than the {typed(asked.over_min)} min over which the change is judged"
        yield place.mistake(
            "hours", what, f"above {fixed(asked.over_min / MIN_PER_H, 2)}, or a smaller over_min"
        )


def _time_mistakes(asked: Conditioning, place: Place) -> Iterator[ConfigError]:
    given = (("channel", asked.channel), ("k_per_h", asked.k_per_h), ("else", asked.otherwise))
    for key, value in given:
        if value is not None:
            yield place.mistake(key, 'is given, and until is "time"', 'until = "equilibrium", or no such key')


def _never(every_cycles: int, cycles: int, place: Place, does: str) -> Iterator[ConfigError]:
    if every_cycles >= cycles:
        what = f"{every_cycles} is not below cycles = {cycles}, so that it never {does}"
        yield place.mistake("every_cycles", what, f"1 to {cycles - 1}" if cycles > 1 else "no such table")
