"""What a person reads before a `go`: the unit, where its shaft stands, guard, what is cleared, and what will turn.

Facts as they are now; reading them isolates nothing and proves no guard.
"""

from nightturn.fixture.activities.conditioning import TITLES
from nightturn.fixture.owners.routine import Part
from nightturn.fixture.state import FixtureState
from nightturn.fixture.stream import degrees
from nightturn.fixture.travel import travel_of
from nightturn.model.cards import MountCard
from nightturn.model.clocks import bench_text
from nightturn.model.facts import RunOpened
from nightturn.model.quantities import fixed, number, quantity
from nightturn.model.tasks import FirstMovesTask
from nightturn.motion.first_moves import sentence
from nightturn.motion.interlocks import GUARD_CLOSED, STOP_CHAIN_HEALTHY
from nightturn.motion.permission import Cause
from nightturn.motion.waiting import since
from nightturn.settings.rig import CyclePlan, FixtureSettings
from nightturn.settings.validate import RAW_LIMIT

Shown = tuple[tuple[str, str], ...]

TOUCHED = "if unit, cable or transducer was touched meanwhile: `unmount`, then `mount`"


def before_go(state: FixtureState, settings: FixtureSettings, card: MountCard, opened: RunOpened) -> Shown:
    """Names and sentences, a row each; times by the clock of the run's bench."""
    permission, offsets = state.motion.permission, opened.offsets
    locks = [(each, since(each, offsets)) for each in permission.reasons]
    touched = any(each.cause is Cause.INTERVENTION for each, _ in locks)
    given = (
        f"{permission.by}, {bench_text(permission.go_ns + opened.utc_offset_ns, offsets)}"
        if permission.by
        else "none"
    )
    return (
        ("unit", f"{card.unit}, variant {card.variant}, mounted by {card.operator}"),
        ("shaft", _shaft(state, settings)),
        ("guard", _wired(state, GUARD_CLOSED, settings.guard == "input", "closed", "open")),
        ("stop chain", _wired(state, STOP_CHAIN_HEALTHY, settings.stop_chain == "input", "healthy", "open")),
        *(("clears", text) for _, text in locks),
        *((("note", TOUCHED),) if touched else ()),
        ("last permission", given),
        ("will turn", _will_turn(state, settings, card)),
    )


def _shaft(state: FixtureState, settings: FixtureSettings) -> str:
    travel = travel_of(state)
    if travel.unknown:
        return f"travel {travel.unknown}"
    if travel.zero is None or state.watch.first_index < 0:
        return "no sample of it yet"
    return f"at {fixed(degrees(state.watch.position - travel.zero, settings), 1, signed=True)}° of its travel"


def _wired(state: FixtureState, bit: int, wired: bool, good: str, bad: str) -> str:  # noqa: FBT001 - a fact of the rig file
    if not wired:
        return 'not wired: bench.toml says "none"'
    if state.watch.inputs_tick < 0:
        return f"not seen yet, which counts as {bad}"
    return good if state.watch.inputs & bit else bad


def _will_turn(state: FixtureState, settings: FixtureSettings, card: MountCard) -> str:
    if isinstance(card.task, FirstMovesTask):
        limit_nm = settings.protect[RAW_LIMIT].max
        ends = f"more than {quantity(limit_nm, 'N·m')} or a wrong sense ends it"
        return f"{sentence(state.motion.planner.cycles_done)}; {ends}"
    return _moves(settings.plan)


def _moves(plan: CyclePlan) -> str:
    """One cycle in words, and what comes beside the cycles."""
    slow, hold, exercise = plan.slow_turn, plan.hold, plan.exercise
    parts = [f"{slow.revolutions} turns each way at {number(slow.speed_rpm)} rpm, unpowered"]
    if hold is not None:
        parts.append(
            f"{hold.revolutions} turns at {number(hold.speed_rpm)} rpm holding {number(hold.torque_nm)} N·m"
        )
    if exercise.strokes:
        held = f" holding {number(exercise.torque_nm)} N·m" if exercise.torque_nm else ""
        parts.append(
            f"{exercise.strokes} strokes of {number(exercise.angle_deg)}° at {number(exercise.speed_rpm)} rpm{held}"
        )
    parts += [
        f"{TITLES[Part(phase)]} of {number(each.hours)} h, strokes of {number(each.angle_deg)}° at {number(each.speed_rpm)} rpm"
        for phase, each in plan.conditioning.items()
    ]
    if plan.park is not None:
        parts.append(
            f"to {number(plan.park.angle_deg)}° behind every {plan.park.every_cycles} cycles, and waits there"
        )
    return f"{'; '.join(parts)}; up to {plan.cycles} cycles"
