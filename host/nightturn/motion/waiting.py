"""What motion waits for, as a sentence that names the command which ends the wait; never that anything is without danger."""

from collections.abc import Sequence

from nightturn.model.clocks import ClockOffset, bench_text
from nightturn.motion.permission import LockReason, MotionState, Permission


def since(reason: LockReason, offsets: Sequence[ClockOffset]) -> str:
    """A reason of a lock with the time since when it holds, by the bench's clocks."""
    return f"{reason.text} (since {bench_text(reason.ts, offsets)})"


def waits_for(
    permission: Permission,
    fixture: str,
    unit: str,
    stands: str,
    began_ts: int,
    offsets: Sequence[ClockOffset],
) -> str:
    """The sentence of a state.

    Args:
        permission: the state.
        fixture: its id, for the commands.
        unit: the serial that is mounted.
        stands: what keeps a permission from being used or given, or an empty text.
        began_ts: when the state began, UTC ns.
        offsets: the bench's clocks.
    """
    go = f"`nightturn go {fixture} --unit {unit} --operator NAME`"
    match permission.state:
        case MotionState.TURNING:
            return ""
        case MotionState.LOCKED:
            why = "; ".join(
                [*(since(reason, offsets) for reason in permission.reasons), *([stands] if stands else [])]
            )
            return f"nothing turns: {why}; waits for {go}" if why else f"nothing turns; waits for {go}"
        case MotionState.PAUSED:
            paused = f"paused since {bench_text(began_ts, offsets)}"
            return f"{paused}: {stands}; waits for {go}" if stands else f"{paused}; {go} ends the wait"
        case MotionState.ALLOWED:
            return f"waits: {stands}" if stands else "about to be announced"
        case MotionState.ANNOUNCED:
            return f"about to turn; `nightturn stop {fixture}` prevents it"
        case MotionState.STOPPING:
            return "waits until the shaft is at rest"
        case MotionState.ENDED:
            return "the run is over and its card used up; `nightturn mount` begins another"
