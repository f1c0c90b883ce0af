"""What motion waits for, as a sentence that names the command which ends the wait; never that anything is without danger."""

from nightturn.motion.permission import MotionState, Permission


def waits_for(permission: Permission, fixture: str, unit: str, stands: str) -> str:
    """The sentence of a state.

    Args:
        permission: the state.
        fixture: its id, for the commands.
        unit: the serial that is mounted.
        stands: what keeps a permission from being used or given, or an empty text.
    """
    go = f"`nightturn go {fixture} --unit {unit} --operator NAME`"
    match permission.state:
        case MotionState.LOCKED:
            why = "; ".join([*(reason.text for reason in permission.reasons), *([stands] if stands else [])])
            return f"nothing turns: {why}; waits for {go}" if why else f"nothing turns; waits for {go}"
        case MotionState.PAUSED:
            return f"paused: {stands}; waits for {go}" if stands else f"paused; {go} ends the wait"
        case MotionState.ALLOWED:
            return f"waits: {stands}" if stands else "about to be announced"
        case MotionState.ANNOUNCED:
            return f"about to turn; `nightturn stop {fixture}` prevents it"
        case MotionState.STOPPING:
            return "waits until the shaft stands"
        case MotionState.TURNING:
            return ""
        case MotionState.ENDED:
            return "the run is over and its card used up; `nightturn mount` begins another"
