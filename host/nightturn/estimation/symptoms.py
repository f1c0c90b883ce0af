"""What a cycle shows beside its figures: orders between the whole ones, deviations at one angle, samples that are none."""

from nightturn.estimation.figure_drafts import Measured
from nightturn.model.figures import Defect, Line, Symptoms
from nightturn.model.phases import HOLD, SLOW_TURN

RIPPLE, COGGING, FRICTION = "ripple", "cogging", "friction"


def symptoms_of(measured: Measured) -> Symptoms:
    """The symptoms of a cycle; a line is one that could be told apart from the whole order beside it and from hum."""
    lines = [
        Line(phase, line.order, line.amplitude_nm)
        for phase, found in ((HOLD, measured.ripple), (SLOW_TURN, measured.cogging))
        if found is not None
        for line in sorted(found.asynchronous, key=lambda line: line.order)
        if line.settled and not line.of_mains
    ]
    seen = ((RIPPLE, measured.ripple), (COGGING, measured.cogging), (FRICTION, measured.variation))
    defects = [
        Defect(name, found.localised.angle_deg, found.localised.width_deg, found.localised.height_nm)
        for name, found in seen
        if found is not None and found.localised is not None
    ]
    legs = [*measured.slow, *([] if measured.hold is None else [measured.hold])]
    railed, jumps = (sum(getattr(leg, name) for leg in legs) for name in ("railed", "jumps"))
    return Symptoms(tuple(lines), tuple(defects), railed, jumps)
