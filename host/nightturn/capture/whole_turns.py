"""What whole turns of a capture say, by `nightturn.smoothness`: both ways, or one way alone."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.capture.angle import Motion
from nightturn.capture.asked import Asked
from nightturn.capture.found import Line
from nightturn.capture.legs import Leg
from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.curves import BACK, FORWARD
from nightturn.estimation.figures import COGGING_PP, FRICTION, RIPPLE_PP, ZERO
from nightturn.estimation.intervals import half_width
from nightturn.estimation.pooled import Pooled
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.quantities import quantity
from nightturn.replay.smoothness import smoothness
from nightturn.settings.rig import CyclePlan, Hold, SlowTurn

Float64s = npt.NDArray[np.float64]
WRONG_SENSE = "torque and angle disagree"
TURNS_MAX = 40.0
"""More turns one way are taken for another unit unless the speed is said."""
STRONGEST_MIN = 4
HOLD_NOTE = "plan"
"""In the notes on a hold, for which there are sentences of our own."""
HELD_APART = 0.3
"""A hold that is further from what a person says than this share is another one."""


@dataclass(frozen=True, slots=True)
class OfTurns:
    """One figure of whole turns, of one cycle or the mean of several: N·m, half of its interval, turns used, sentences."""

    value_nm: float
    half_nm: float | None
    turns: int
    cycles: int
    status: str
    reasons: tuple[str, ...]

    def line(self, title: str, what: str) -> Line:
        """As a line of the table."""
        turns = f"{self.turns} turn{'' if self.turns == 1 else 's'}"
        of = turns if self.cycles == 1 else f"mean of {self.cycles} cycles"
        return Line(
            title, self.value_nm, self.half_nm, how=f"{of}, {what}", status=self.status, reasons=self.reasons
        )


@dataclass(frozen=True, slots=True)
class Turned:
    """The figures of whole turns, each None where they say nothing, and one turn in both senses (points,) for the picture.

    Attributes:
        both: whether both ways were turned.
        sense: -1 where friction came out along the turning, and the torque was taken the other way round.
    """

    ripple: OfTurns | None
    cogging: OfTurns | None
    friction: OfTurns | None
    zero: OfTurns | None
    both: bool
    sense: int
    notes: tuple[str, ...]
    forward_nm: Float64s | None = None
    back_nm: Float64s | None = None
    cogging_order: int = 0


def to_and_fro(
    time_s: Float64s, torque_nm: Float64s, motion: Motion, legs: Sequence[Leg], asked: Asked
) -> tuple[Turned | None, tuple[str, ...]]:
    """Figures of turns both ways, and of a hold if there was one."""
    assert motion.angle_rad is not None
    speed = float(np.median([leg.speed_rad_s for leg in legs])) * 30 / math.pi
    turns = (
        max(abs(float(motion.angle_rad[leg.stop - 1] - motion.angle_rad[leg.first])) for leg in legs)
        / math.tau
    )
    plan = CyclePlan(slow_turn=SlowTurn(speed_rpm=speed)) if turns > TURNS_MAX else None
    found, notes = _records(time_s, torque_nm, motion, asked, plan, sense=1)
    sense = 1
    if any(WRONG_SENSE in reason for record in found for each in record.figures for reason in each.reasons):
        sense = -1
        found, notes = _records(time_s, torque_nm, motion, asked, plan, sense=-1)
    if not found:
        return None, notes
    last = found[-1]
    curves = {curve.leg: np.frombuffer(curve.torque_nm, "<f4").astype(np.float64) for curve in last.curves}
    figures = {name: _pooled(found, name) for name in (RIPPLE_PP, COGGING_PP, FRICTION, ZERO)}
    ripple = figures[RIPPLE_PP]
    return (
        Turned(
            ripple,
            figures[COGGING_PP],
            figures[FRICTION],
            figures[ZERO],
            both=True,
            sense=sense,
            notes=(*_of_hold(found, asked), *notes),
            forward_nm=curves.get(FORWARD),
            back_nm=curves.get(BACK),
            cogging_order=_strongest(last),
        ),
        (),
    )


def one_way(
    time_s: Float64s, torque_nm: Float64s, motion: Motion, legs: Sequence[Leg], asked: Asked
) -> tuple[Turned | None, tuple[str, ...]]:
    """Ripple of turns one way.

    The estimator knows such passes as a hold. A peak to peak does not change with a constant, so the mean is moved to a torque
    that is a hold for sure.
    """
    leg = max(legs, key=lambda each: each.stop - each.first)
    inside = slice(leg.first, leg.stop)
    held = asked.rated_nm / 2
    moved = torque_nm[inside] - float(torque_nm[inside].mean()) + held
    speed = leg.speed_rad_s * 30 / math.pi
    plan = CyclePlan(slow_turn=SlowTurn(speed_rpm=speed), hold=Hold(torque_nm=held, speed_rpm=speed))
    assert motion.angle_rad is not None
    part = Motion(motion.angle_rad[inside], slice(None), motion.counts_per_rev)
    found, notes = _records(time_s[inside], moved, part, asked, plan, sense=1)
    ripple = _pooled(found, RIPPLE_PP)
    if ripple is None:
        return None, notes
    return Turned(ripple, None, None, None, both=False, sense=1, notes=notes), ()


def _records(
    time_s: Float64s,
    torque_nm: Float64s,
    motion: Motion,
    asked: Asked,
    plan: CyclePlan | None,
    *,
    sense: int,
) -> tuple[Sequence[CycleRecord], tuple[str, ...]]:
    """Cycles and what has to be said of them; none, with the reason, where the arrays do not allow any."""
    assert motion.angle_rad is not None
    try:
        found = smoothness(
            time_s - time_s[0],
            motion.angle_rad,
            torque_nm,
            pole_pairs=asked.pole_pairs,
            slots=asked.slots,
            rated_torque_nm=asked.rated_nm,
            counts_per_rev=motion.counts_per_rev,
            sense=sense,
            plan=plan,
            mains_hz=asked.mains_hz,
        )
    except (ValueError, InsufficientSamplesError) as error:
        return (), (f"No angle-locked figures: {_in_words(str(error))}.",)
    return found, tuple(
        _in_words(f"{note[0].upper()}{note[1:]}.") for note in found.notes if HOLD_NOTE not in note
    )


def _of_hold(found: Sequence[CycleRecord], asked: Asked) -> tuple[str, ...]:
    """What stands behind a hold that was found."""
    held = next((record.setpoint_nm for record in found if record.setpoint_nm), 0.0)
    if not held:
        return ()
    shown = f"The torque held, {quantity(held, 'N·m')}, is read from the capture"
    if not asked.held_nm:
        return (f"{shown}: if something else was held, --factor or a unit is wrong; --held says what was.",)
    if abs(held - abs(asked.held_nm)) > HELD_APART * abs(asked.held_nm):
        return (
            f"{shown}, and --held says {quantity(asked.held_nm, 'N·m')}: --factor or a unit is wrong, or --held.",
        )
    return ()


def _in_words(text: str) -> str:
    """A sentence about arrays, about columns."""
    for name, words in (("angle_rad", "the angle"), ("torque_nm", "the torque"), ("time_s", "time")):
        text = text.replace(name, words)
    return text


def _pooled(found: Sequence[CycleRecord], name: str) -> OfTurns | None:
    """The figure of the best cycles: those that are ok, else the last that has a value."""
    all_of_it = [
        each for record in found for each in record.figures if each.name == name and each.value is not None
    ]
    good = [each for each in all_of_it if each.status == OK and each.u is not None and each.nu is not None]
    if len(good) < 2:
        chosen = good or all_of_it[-1:]
        return None if not chosen else _single(chosen[0])
    pooled = Pooled()
    for each in good:
        assert each.value is not None
        assert each.u is not None
        assert each.nu is not None
        pooled.add(each.value, each.u, each.nu)
    u, nu = pooled.scatter()
    reasons = tuple(dict.fromkeys(reason for each in good for reason in each.reasons))
    return OfTurns(pooled.mean, coverage_factor(nu) * u, sum(each.n for each in good), len(good), OK, reasons)


def _single(figure: Figure) -> OfTurns:
    assert figure.value is not None
    return OfTurns(figure.value, half_width(figure), figure.n, 1, figure.status, figure.reasons)


def _strongest(record: CycleRecord) -> int:
    """The order of cogging that is largest, for what a picture smooths away."""
    return max(record.cogging_orders, key=lambda row: row[1])[0] if record.cogging_orders else STRONGEST_MIN
