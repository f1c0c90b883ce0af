"""What a fixture does at this moment, from what its sensors show and what motion may do."""

from nightturn.model.phases import EXERCISE, HOLD, PARK, RETURN, SLOW_TURN, SOAK, STAND, WARM_UP
from nightturn.model.quantities import fixed, quantity
from nightturn.model.rows import LiveRow

PHASES = {
    STAND: "standing",
    SLOW_TURN: "slow turn",
    HOLD: "hold under torque",
    EXERCISE: EXERCISE,
    RETURN: "on its way back",
    WARM_UP: "warm-up strokes",
    SOAK: "soak strokes",
    PARK: "on its way to park",
}


def phase_text(phase: str) -> str:
    """A phase in words; one without a name is said to be not known."""
    return PHASES.get(phase, phase or "phase not known")


def now_sentence(live: LiveRow) -> str:
    """`Slow turn, at 296.4° from the travel zero, mean torque 0.0812 N·m over the last second.`; what is not known is said to be not known."""
    said = phase_text(live.phase)
    parts = [f"{said[:1].upper()}{said[1:]}"]
    if live.position_deg is not None:
        parts.append(f"at {fixed(live.position_deg, 1)}° from the travel zero")
    elif live.torque_nm is not None:
        parts.append("where on its way is not known")
    if live.torque_mean_nm is not None:
        parts.append(f"mean torque of the last second {quantity(live.torque_mean_nm, 'N·m', digits=3)}")
    else:
        parts.append("no torque is shown now")
    return f"{', '.join(parts)}."
