"""A gathered capture's figures: by `smoothness` where angle and turns allow it, by the reversal's step where they do not."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.capture.angle import Motion, motion_of
from nightturn.capture.asked import Asked
from nightturn.capture.found import Curves, Found, Line
from nightturn.capture.gathering import Gathered
from nightturn.capture.legs import Leg, legs_of, plateaus_of
from nightturn.capture.reversal import Step, step_by_angle, step_by_level, unloaded
from nightturn.capture.whole_turns import Turned, one_way, to_and_fro
from nightturn.errors import TableError
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK
from nightturn.model.quantities import number, quantity
from nightturn.model.verdicts import NOT_JUDGED

Float64s = npt.NDArray[np.float64]
RIPPLE, COGGING, FRICTION, ZERO = "ripple", "cogging", "friction", "zero"
RATE_HZ_MIN = 100.0
"""Below this no angle-locked figure is made."""
TORQUE_TIMES_MAX = 5.0
"""Of the rated torque; no bench carries more (common practice, no source)."""
FRICTION_SHARE_MAX = 0.1
"""Of the rated torque; more is rather a change of load than a reversal (common practice, no source)."""
TURN = 0.999
REPEATABILITY = "each ± is of a 95 % interval and is repeatability: what --factor is off by comes on top; --factor-u adds it"
WITH_FACTOR = (
    "each ± is of a 95 % interval, from this capture's scatter and the {} % (standard) of the factor"
)
WITHOUT_FACTOR = "each ± is of a 95 % interval and is repeatability: the calibration of the channel comes on top; --factor-u adds it"


@dataclass(frozen=True, slots=True)
class Seen:
    """A capture with its angle: samples, legs or levels, and turns of the longest leg."""

    time_s: Float64s
    torque_nm: Float64s
    motion: Motion
    legs: tuple[Leg, ...]
    levels: tuple[Leg, ...]
    turns: float

    @property
    def ways(self) -> set[int]:
        """The senses that were turned, as far as anything says."""
        return {leg.way for leg in (self.legs or self.levels)}


def figures_of(
    gathered: Gathered,
    nm_per_unit: float,
    rad_per_unit: float,
    asked: Asked,
    said: Sequence[str],
    *,
    where: str,
) -> Found:
    """Everything that a capture says.

    Args:
        gathered: its samples.
        nm_per_unit: N·m per unit of the torque's column.
        rad_per_unit: rad per unit of the angle's column.
        asked: what a person said.
        said: what was assumed while its columns were chosen, as sentences.
        where: the file, for messages.

    Raises:
        TableError: nothing can be said, and the remedy.
    """
    torque = gathered.torque * nm_per_unit
    _check(torque, asked.rated_nm, where)
    motion = motion_of(gathered, rad_per_unit, asked, where=where)
    seen = _seen(gathered.time_s[motion.kept], torque[motion.kept], motion)
    turned, notes = _turned(seen, asked)
    step = _step(seen, asked)
    lines = (
        _ripple(seen, turned, asked),
        _cogging(turned),
        *_friction_and_zero(turned, step, asked),
    )
    return Found(
        read=(),
        lines=lines,
        of_rated_nm=asked.rated_nm,
        interval_is=_interval_is(asked),
        assumes=tuple(dict.fromkeys((*said, *_assumed(seen, turned, step, lines, asked), *notes))),
        lacking=tuple(_lacking(seen, lines, asked)),
        curves=_curves(seen, turned, step),
    )


def _assumed(
    seen: Seen, turned: Turned | None, step: Step | None, lines: Sequence[Line], asked: Asked
) -> list[str]:
    """What the figures rest on, as sentences."""
    said = [*seen.motion.assumes, *_of_step(seen, step, lines, asked), *(turned.notes if turned else ())]
    said += _reasons(lines)
    if (turned is not None and turned.sense < 0) or (step is not None and step.friction < 0):
        said.append(
            "Torque rises with the turning here: it is taken as the drive's, and friction by its size."
        )
    return said


def _check(torque: Float64s, rated_nm: float, where: str) -> None:
    """Refuse torques that cannot be meant.

    Raises:
        TableError: says what they look like.
    """
    size, span = float(np.abs(torque).max()), float(np.ptp(torque))
    if size > TORQUE_TIMES_MAX * rated_nm:
        raise TableError(
            f"{where}: the torque reaches {quantity(size, 'N·m')}, {number(size / rated_nm, 3)} times the rated torque; check --factor, --rated "
            "and the unit of the column (--torque NAME:mV)"
        )
    if span == 0.0:
        raise TableError(
            f"{where}: the torque is the same in every row: the channel is dead, or this is another column"
        )


def _seen(time_s: Float64s, torque_nm: Float64s, motion: Motion) -> Seen:
    if len(time_s) < 2:
        raise TableError("fewer than two samples are left; record more")
    if motion.angle_rad is None:
        return Seen(time_s, torque_nm, motion, (), tuple(plateaus_of(torque_nm)), 0.0)
    legs = tuple(legs_of(time_s, motion.angle_rad, math.tau / motion.counts_per_rev))
    travel = [abs(float(motion.angle_rad[leg.stop - 1] - motion.angle_rad[leg.first])) for leg in legs]
    return Seen(time_s, torque_nm, motion, legs, (), max(travel, default=0.0) / math.tau)


def _turned(seen: Seen, asked: Asked) -> tuple[Turned | None, tuple[str, ...]]:
    """What whole turns say, or why they say nothing."""
    if seen.motion.angle_rad is None or seen.turns < TURN:
        return None, ()
    rate = (len(seen.time_s) - 1) / float(seen.time_s[-1] - seen.time_s[0])
    if rate < RATE_HZ_MIN:
        return None, (
            f"Angle-locked figures need {number(RATE_HZ_MIN)} samples a second, and these are {number(rate, 3)}; were the times ms, give --time NAME:ms.",
        )
    if len(seen.ways) == 1:
        return one_way(seen.time_s, seen.torque_nm, seen.motion, seen.legs, asked)
    turned, notes = to_and_fro(seen.time_s, seen.torque_nm, seen.motion, seen.legs, asked)
    if asked.held_nm and (turned is None or turned.ripple is None):
        # Every pass was loaded, so none says what the unit does unpowered.
        return one_way(seen.time_s, seen.torque_nm, seen.motion, seen.legs, asked)
    return turned, notes


def _step(seen: Seen, asked: Asked) -> Step | None:
    if seen.motion.angle_rad is not None:
        legs = unloaded(seen.torque_nm, seen.legs, asked.rated_nm)
        return step_by_angle(seen.time_s, seen.motion.angle_rad, seen.torque_nm, legs)
    return step_by_level(seen.time_s, seen.torque_nm, seen.levels)


def _ripple(seen: Seen, turned: Turned | None, asked: Asked) -> Line:
    if turned is not None and turned.ripple is not None:
        what = "under load" if asked.held_nm or turned.both else "turning one way, without a known load"
        return turned.ripple.line(RIPPLE, what)
    if turned is not None or len(seen.ways) == 2:
        return Line(RIPPLE, None)
    if seen.legs:
        leg = max(seen.legs, key=lambda each: each.stop - each.first)
        part = seen.torque_nm[leg.first : leg.stop]
        return Line(
            RIPPLE,
            float(np.ptp(part)),
            at_most=True,
            how=f"peak to peak of the samples over {_degrees(seen, leg)}",
        )
    return Line(
        RIPPLE, float(np.ptp(seen.torque_nm)), at_most=True, how="peak to peak of the samples, over time"
    )


def _degrees(seen: Seen, leg: Leg) -> str:
    assert seen.motion.angle_rad is not None
    travel = abs(float(seen.motion.angle_rad[leg.stop - 1] - seen.motion.angle_rad[leg.first]))
    return quantity(math.degrees(travel), "°", digits=3)


def _cogging(turned: Turned | None) -> Line:
    if turned is None or turned.cogging is None:
        return Line(COGGING, None)
    return turned.cogging.line(COGGING, "both ways")


def _friction_and_zero(turned: Turned | None, step: Step | None, asked: Asked) -> tuple[Line, Line]:
    """By whole turns where these are believed as they stand, else by the step."""
    if (
        turned is not None
        and turned.friction is not None
        and turned.friction.status == OK
        and turned.zero is not None
    ):
        return turned.friction.line(FRICTION, "half the step"), turned.zero.line(ZERO, "both ways")
    if step is None:
        return Line(FRICTION, None), Line(ZERO, None)
    if step.sector_rad:
        where = f"over {quantity(math.degrees(step.sector_rad), '°', digits=3)} of angle"
    else:
        where = "over time"
    k = coverage_factor(step.nu)
    zero = Line(ZERO, step.zero, k * step.u_zero, how=f"half the sum, {where}")
    times = len(step.turns_s)
    how = f"half the step, {times} reversal{'' if times == 1 else 's'}, {where}"
    status = OK if abs(step.friction) <= FRICTION_SHARE_MAX * asked.rated_nm else NOT_JUDGED
    return (
        Line(FRICTION, abs(step.friction), k * step.u, how=how, status=status),
        Line(ZERO, None) if asked.held_nm and (turned is None or not turned.both) else zero,
    )


def _of_step(seen: Seen, step: Step | None, lines: Sequence[Line], asked: Asked) -> list[str]:
    """What a friction by the step alone rests on."""
    friction = lines[2]
    if step is None or not friction.how.startswith("half the step, "):
        return []
    said = []
    if len(step.turns_s) == 1:
        said.append(
            "The ± of one reversal has noise, and a zero that drifts evenly, as much as these turns show it; a zero that steps or bends just at "
            "the reversal, and torque that goes on settling behind it, are not in it."
        )
    if seen.motion.angle_rad is None:
        said.append(
            "Without an angle each jump between two levels of torque is taken for a reversal of turning, and cogging for scatter."
        )
    elif step.sector_rad < TURN * math.tau:
        said.append("Friction and zero are of the angles that were turned both ways, not of the whole turn.")
    if friction.value_nm is not None and friction.status == NOT_JUDGED:
        share = number(100 * friction.value_nm / asked.rated_nm, 2)
        said.append(
            f"{share} % of the rated torque is much for friction: check that the step is a reversal, and no change of load."
        )
    return said


def _interval_is(asked: Asked) -> str:
    if asked.factor_u_pct is not None:
        return WITH_FACTOR.format(number(asked.factor_u_pct))
    return WITHOUT_FACTOR if asked.factor is None else REPEATABILITY


def _lacking(seen: Seen, lines: Sequence[Line], asked: Asked) -> list[str]:
    """What is not there, and what to record instead."""
    ripple, cogging, friction, zero = lines
    out = []
    if ripple.value_nm is None:
        out.append(
            "No ripple under load: no torque was held. Let the actuator hold a torque, turn it three turns one way, and record that too; --held says how much."
        )
    elif ripple.at_most:
        missing = "less than a turn" if seen.legs else "no angle"
        out.append(
            f"Ripple is an upper bound, because noise counts in: there is {missing}. Record an angle and two turns or more; where the speed is "
            "constant, --rpm takes its place."
        )
    if cogging.value_nm is None and not (asked.held_nm and len(seen.ways) == 2):
        out.append(_no_cogging(seen))
    elif cogging.value_nm is not None and cogging.half_nm is None:
        out.append(
            "The ± of the cogging is not known: one turn a way has no scatter. Record two turns or more each way."
        )
    if friction.value_nm is None:
        out.append(
            "No friction: there is no reversal in it. Record a turn or more one way and back, in one file; the step between them is twice the friction."
        )
    elif friction.how.startswith("half the step, 1 reversal"):
        out.append("To see a zero that bends, record three passes: forward, back and forward.")
    if zero.value_nm is None and asked.held_nm and len(seen.ways) == 2:
        out.append(
            "No zero and no cogging under a held torque: record a turn or more each way with the actuator unpowered."
        )
    elif zero.value_nm is None:
        out.append(
            "No zero: it is half the sum of both ways. A reading of the uncoupled channel says it too."
        )
    if asked.rpm is None and seen.motion.angle_rad is None and seen.levels:
        out.append("Where the speed is constant, --rpm gives cogging and takes it out of the friction's ±.")
    return out


def _no_cogging(seen: Seen) -> str:
    if len(seen.ways) < 2:
        return "No cogging: it is what both ways share. Record two turns or more forward and as many back, unpowered."
    if seen.motion.angle_rad is None:
        return "No cogging: there is no angle. Record one beside the torque, or give --rpm where the speed is constant."
    if seen.turns < TURN:
        return f"No cogging: {number(seen.turns, 2)} of a turn was turned, and orders need a whole one. Record two turns or more each way."
    return (
        "No cogging from these turns. Record two turns or more forward and as many back at one steady speed."
    )


def _reasons(lines: Sequence[Line]) -> list[str]:
    """What the figures' methods say of them, each sentence once with all the figures that it is of."""
    of: dict[str, list[str]] = {}
    for line in lines:
        for reason in line.reasons:
            of.setdefault(reason, []).append(line.title)
    return [f"{' and '.join(titles).capitalize()}: {reason}" for reason, titles in of.items()]


def _curves(seen: Seen, turned: Turned | None, step: Step | None) -> Curves:
    return Curves(
        seen.time_s,
        seen.torque_nm,
        None if turned is None else turned.forward_nm,
        None if turned is None else turned.back_nm,
        0 if turned is None else turned.cogging_order,
        () if step is None else step.turns_s,
    )
