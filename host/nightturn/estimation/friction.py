"""Running friction, zero and mean torque from the levels of both directions and of the hold, and what moves the zero."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.level_model import Course, LevelModel
from nightturn.estimation.levels import Levels, followed, levels_of
from nightturn.estimation.loop_energy import Loop, loop_energy
from nightturn.estimation.noise_model import Estimate, Movement
from nightturn.estimation.order_fit import OrderFit
from nightturn.estimation.turns import Turns
from nightturn.model.tiles import Int64s

NOISE_ALIKE = 4.0
"""A hold whose samples scatter by as many times the variance of those of the slow passes, or as little, says nothing of their noise:
another range, a channel that is stuck, a coupling that rings."""
PREVIOUS_MIN = 5
"""Fewer earlier cycles say nothing about the scatter from cycle to cycle."""
DRIFT, BEND, STEP = "drift", "bend", "step {}"
BENT, BENT_REPEATED, BENT_HELD = 4.0, 0.1, 0.2
"""Weight of a bend against a straight drift before anything was measured: in passes of one turn, of more turns, and over these and the
hold, which is longer. With 0.025 a bend of 5 mN·m in 40 mN·m of noise left zero and mean torque covered in .87 and .82 of the cycles, with
these in .93 and .93; with 0.4 for the passes the zero is covered in .87 under 1/f noise (150 to 200 cycles each)."""
HOLD_ROWS = 24
"""Means kept of the hold: it gives one level and the noise about it, no drift."""
SURE = 0.8
"""A step of the zero that is likelier than this is spoken of. More than 0.5 is likely in 9 of 100 cycles under 1/f noise without a
step, more than 0.8 in none of 150, but in 91 of 100 with one of 0.5 mN·m at 6 mN·m of white noise (simulated)."""


@dataclass(frozen=True, slots=True)
class Friction:
    """Friction with its sign and zero, each with standard uncertainty and degrees of freedom.

    `step` is positive where declared torque and angle make friction oppose motion. `passes` were used; `repeated` is
    whether any of them turned more than once. `zero_moved_nm` is how far the fitted drift carried the zero from one
    direction's passes to the other's, `drift_nm_s` its rate, `zero_step_nm` a step between two passes that the drift within them does not
    explain, 0 when none is likely. `loop` is the same friction from the work over closed loops.
    """

    step: Estimate
    zero: Estimate
    turns: int
    passes: int
    repeated: bool
    zero_moved_nm: float
    drift_nm_s: float
    zero_step_nm: float
    loop: Loop | None = None

    @property
    def friction_nm(self) -> float:
        """Magnitude of the friction."""
        return abs(self.step.value)

    @property
    def step_nm(self) -> float:
        """Friction with its sign."""
        return self.step.value


@dataclass(frozen=True, slots=True)
class Slow:
    """Slow passes in both directions, in the order in which they were made: levels of their parts and where they lie.

    `places` are the positions in that order by number of leg in `levels`; `centre_s` is the middle of the middle pass.
    """

    legs: tuple[Turns, ...]
    levels: Levels
    places: Int64s
    centre_s: float


def slow_passes(
    legs: Sequence[Turns], forward: OrderFit, backward: OrderFit, centre_s: float, least_variance: float
) -> Slow | None:
    """Lay out slow passes, fitted by direction; None without whole turns both ways."""
    ways = [[at for at, leg in enumerate(legs) if leg.direction == way] for way in (1, -1)]
    if not all(ways):
        return None
    groups = [([legs[at] for at in way], fit) for way, fit in zip(ways, (forward, backward), strict=True)]
    levels = levels_of(groups, least_variance)
    if levels is None:
        return None
    return Slow(tuple(legs), levels, np.array([*ways[0], *ways[1]]), centre_s)


def friction_of(slow: Slow) -> Friction:
    """Half the difference of the directions, and their half-sum at the middle pass.

    Torque is pattern of the direction + drift·time + cable·angle, with a free mean for every part of a turn, and 1/f and
    white noise. With F-B-F a linear drift cancels (a drift of 2 mN·m a pass biases F-B alone by 5 mN·m). A bend and
    steps between the passes are weighed against the straight drift; what cannot be told apart enters u.

    Raises:
        InseparableError: drift and cable cannot be told apart.
    """
    model = _model(slow, None)
    passes = len(slow.legs)
    moved, rate = 0.0, model.course(DRIFT)
    if passes == 2:
        times = {leg.direction: float((leg.n * leg.time_s).sum() / leg.n.sum()) for leg in slow.legs}
        moved = rate * (times[1] - times[-1])
    steps = [STEP.format(at) for at in range(1, passes)]
    sure = sum(model.chance(step) for step in steps) > SURE
    return Friction(
        step=model.estimate("", model.of_groups({0: -0.5, 1: 0.5})),
        zero=model.estimate("zero", model.of_groups({0: 0.5, 1: 0.5})),
        turns=sum(slow.levels.turns),
        passes=passes,
        repeated=any(int(leg.whole.sum()) > 1 for leg in slow.legs),
        zero_moved_nm=moved,
        drift_nm_s=rate,
        zero_step_nm=max((model.size(step) for step in steps), key=abs) if sure else 0.0,
        loop=loop_energy(slow.legs),
    )


@dataclass(frozen=True, slots=True)
class Levelled:
    """What the levels of a hold give: its mean torque, and friction with its sign as it is known beside the hold.

    `friction` is None without slow passes, or where the hold's noise is not theirs.
    """

    mean_torque: Estimate
    friction: Estimate | None = None


def levelled(hold: Turns, fit: OrderFit, slow: Slow | None, least_variance: float) -> Levelled | None:
    """Mean torque of the hold less the zero that the slow passes say it had at that time; None without a whole turn.

    Without slow passes it is the level as the calibration gives it. The hold's turns also say how slow the noise is, longer
    than the slow passes do: alone they covered friction in .88 to .92 of the cycles under 1/f noise of 3 mN·m, with it .92 to .97.

    Raises:
        InseparableError: the levels cannot be told apart.
    """
    levels = levels_of([((hold,), fit)], least_variance, HOLD_ROWS)
    if levels is None:
        return None
    if slow is None:
        time = Course(
            DRIFT, levels.time_s - float(levels.time_s.mean()), np.ones(len(levels.time_s), np.bool_)
        )
        model = LevelModel(levels, [time], [])
        return Levelled(model.estimate("", model.of_groups({0: 1.0})))
    model = _model(slow, levels)
    mean = model.estimate("", model.of_groups({0: -0.5, 1: -0.5, 2: 1.0}))
    ratio = levels.white / slow.levels.white
    if not 1 / NOISE_ALIKE <= ratio <= NOISE_ALIKE:
        return Levelled(mean)
    return Levelled(mean, model.estimate("", model.of_groups({0: -0.5, 1: 0.5})))


def _model(slow: Slow, hold: Levels | None) -> LevelModel:
    """The model of the passes, and of the hold if there is one."""
    levels = slow.levels if hold is None else followed(slow.levels, hold)
    passes = len(slow.legs)
    order = np.append(slow.places, passes)[np.minimum(levels.leg, passes)]  # the hold comes last
    held = order == passes
    time = levels.time_s - slow.centre_s
    turned = levels.turned - float(levels.turned[order == passes // 2].mean())
    courses, square = [], time**2
    if hold is not None:
        # The torque that the unit holds may warm and drift by itself, and says nothing of the zero's drift or a cable.
        middle = float(time[held].mean())
        away = np.where(held, time - middle, 0.0)
        spread = float((away[held] ** 2).mean())
        bent = np.where(held, away**2 - spread, 0.0)
        courses += [Course("held", away, held), Course("held bent", bent, held)]
        time, square = np.where(held, middle, time), np.where(held, middle**2 + spread, square)
        turned = np.where(held, float(turned[held].mean()), turned)
    courses += [Course(DRIFT, time, ~held), Course("cable", turned, ~held)]
    # Passes of one turn hardly show a bend, and nothing says that their drift is straight.
    repeated = any(int(leg.whole.sum()) > 1 for leg in slow.legs)
    likely = BENT_REPEATED if hold is None else BENT_HELD
    movements = [Movement(BEND, square / square.max(), weight=likely if repeated else BENT)]
    for at in range(1, passes):
        after = float(at <= passes // 2)
        column = (order >= at).astype(np.float64)
        movements.append(Movement(STEP.format(at), column, {"zero": after}, instead=DRIFT))
    return LevelModel(levels, courses, movements)


def scatter_between_cycles(previous_nm: Sequence[float]) -> tuple[float, float] | None:
    """Standard uncertainty of one cycle's friction and its degrees of freedom, from complete cycles before it.

    From successive differences, so that a slow change of friction does not count as scatter; None with fewer than five.
    """
    count = len(previous_nm)
    if count < PREVIOUS_MIN:
        return None
    steps = np.diff(np.asarray(previous_nm, np.float64))
    variance = float(steps @ steps) / (2 * (count - 1))
    return float(np.sqrt(variance)), 2.0 * (count - 1) ** 2 / (3 * count - 4)
