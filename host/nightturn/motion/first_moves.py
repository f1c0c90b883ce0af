"""The first moves of a rig whose senses nobody knows: which one is next, its bounds, and when the shaft has gone astray.

Each is relative to where the shaft stands, one for each permission; between them nothing returns anywhere. What a drive does that
ignores its commands is for the stop chain: this sees it in samples that are a moment old, and is not a safety function.
"""

import math

from nightturn.model.phases import FIRST_MOVE
from nightturn.model.quantities import fixed, number, quantity
from nightturn.motion.moves import Move, counts_of_deg, rad_per_s
from nightturn.motion.permission import Cause
from nightturn.motion.planner import Halt, Motion, Planner, View
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.tasks import FIRST_MOVES, FIRST_RPM
from nightturn_protocol import messages as wire

MOVE_DEG = 6.0
SPEED_RAD_PER_S_MAX = rad_per_s(1.0)
"""No lease under these moves allows more."""
ASTRAY_DEG = 1.0
"""So far against its sense or beyond its end the shaft is stopped; with that, and what turns until then, a move stays within 10°."""
RAMP_RAD_PER_S2_MIN = 0.2
"""A gentler ramp of the rig file would let the shaft run on: at this one it stands within 0.4°."""
OUT, BACK = "out", "back"
NAMES = (OUT, BACK)


def name_of(done: int) -> str:
    """The move that comes next, by how many are done; empty behind the last."""
    return NAMES[done] if done < FIRST_MOVES else ""


def sentence(done: int) -> str:
    """The move that comes next, for whoever is to permit it."""
    if not name_of(done):
        return "nothing more: all first moves are done"
    way = "in the declared positive sense" if name_of(done) == OUT else "back again"
    return (
        f"move {done + 1} of {FIRST_MOVES}, {name_of(done)}: {number(MOVE_DEG)}° {way} at {quantity(FIRST_RPM, 'rpm')}, "
        "unpowered, then it stops and waits for a person"
    )


def first_move(settings: FixtureSettings, done: int) -> tuple[Move, ...]:
    """The next move, relative to where the shaft stands; none behind the last."""
    name = name_of(done)
    if not name:
        return ()
    way = settings.encoder.sense * (1 if name == OUT else -1)
    counts = way * counts_of_deg(MOVE_DEG, settings.encoder.counts_per_rev)
    ramp = max(settings.ramp_rad_per_s2, RAMP_RAD_PER_S2_MIN)
    return (Move(FIRST_MOVE, counts, rad_per_s(FIRST_RPM), ramp, 0.0, settings.plan.dwell_s),)


def astray(planner: Planner, position: int, counts_per_rev: int) -> str:
    """Where the shaft is that it should not be, as a sentence; empty while it is on its way."""
    if planner.motion is not Motion.MOVING:
        return ""
    travel = planner.target - planner.begun_at
    along_deg = (position - planner.begun_at) * math.copysign(360.0, travel) / counts_per_rev
    whole_deg = abs(travel) / counts_per_rev * 360.0
    if travel and along_deg < -ASTRAY_DEG:
        return f"wrong sense: the angle went {fixed(-along_deg, 1)}° against the command; drive and encoder are wired to opposite senses"
    if not -ASTRAY_DEG <= along_deg <= whole_deg + ASTRAY_DEG:
        return f"runaway: the shaft is at {fixed(along_deg, 1)}° of a move of {fixed(whole_deg, 1)}°"
    return ""


def steer(planner: Planner, view: View, settings: FixtureSettings, begun: int) -> list[wire.Message] | Halt:
    """What to send for the move that was next when `begun` moves were done; nothing behind it, or why motion stops."""
    wrong = astray(planner, view.position, settings.encoder.counts_per_rev)
    if wrong:
        return Halt(Cause.FINISHED, wrong)

    def course(_away: int) -> tuple[Move, ...]:
        return first_move(settings, begun) if planner.cycles_done == begun else ()

    return planner.steer(view, settings, course, returns=False)
