"""A known mass on a lever that is turned once each way: one sine of known size and phase proves factor, signs, angle and zero.

The weight's torque is T cos(angle - level), `level` being where the lever stands level and the weight turns the shaft in the declared sense;
hanging free lies a quarter turn behind that in the declared sense of the angle. Friction, drift and what differs between the senses of turning are fitted
beside it, so that none of them is taken for the factor (method: linear least squares over bins of one degree; own choice).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from nightturn.errors import CalibrationError
from nightturn.model.quantities import interval, number, quantity

Float64s = npt.NDArray[np.float64]
State = Literal["good", "bad", "not known"]
GOOD: State = "good"
BAD: State = "bad"
NOT_KNOWN: State = "not known"
BINS = 360
FILLED_MIN = 0.97
"""Share of a turn's degrees that must have samples."""
COVERAGE = 2.0
QUARTER_SLACK_DEG = 30.0
"""By which a person's two readings may lie off a quarter turn."""
NEAR_LEVEL = 0.5
"""Cosine between sine and level reading, below which the sign is not decided by it."""
INDEX_SLACK_DEG = 0.2
"""By which the sine may move from turn to turn (own choice)."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One whole turn one way: time (n,) s, angle (n,) rad as the encoder counts it, torque (n,) N·m by the calibration; `way` is +1 or -1."""

    time_s: Float64s
    angle_rad: Float64s
    torque_nm: Float64s
    way: int


@dataclass(frozen=True, slots=True)
class Hung:
    """What hangs, and what a person has read off; standard uncertainties.

    Attributes:
        torque_nm: of the weight on the level lever, u_rel of it.
        level_deg: encoder's reading where the lever is level on the side where its weight turns in the declared sense; u_level_deg.
        down_deg: its reading where the lever hangs free.
        u_factor_rel: of the factor by its calibration.
        allowed_rel: of the weight's torque, that factor, zero, drift and hysteresis may be off.
    """

    torque_nm: float
    u_rel: float
    level_deg: float
    down_deg: float
    u_level_deg: float = 0.5
    u_factor_rel: float = 0.0
    allowed_rel: float = 0.005


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is proven, found wrong, or cannot be said, with a sentence that has the numbers."""

    what: str
    state: State
    said: str


@dataclass(frozen=True, slots=True)
class _Sine:
    """What was fitted, N·m and rad; standard uncertainties of the size and of each coefficient alike."""

    size: float
    phase: float
    zero: float
    friction: float
    sense_part: float
    drift: float
    u: float
    phases: tuple[float, ...]


def lever_check(turns: Sequence[Turn], hung: Hung) -> tuple[Finding, ...]:
    """All findings, always the same eight: signs, senses, angle, factor, zero, hysteresis, drift, index.

    Raises:
        CalibrationError: no whole turn, or no torque that belongs to a weight.
    """
    if not turns:
        raise CalibrationError(
            "no whole turn of the lever at a steady speed: turn it a little more than once round, and back"
        )
    found, both = _fitted(turns), len({turn.way for turn in turns}) == 2
    if found.size < 10 * found.u:
        raise CalibrationError(
            f"the torque has no sine once a turn ({interval(found.size, COVERAGE * found.u, 'N·m')}): no mass hangs, or the shaft is upright"
        )
    sign = _torque_sign(found, hung)
    return (
        sign,
        _angle_sense(hung),
        _angle_zero(found, hung, turned_round=sign.state == BAD),
        _factor(found, hung),
        _zero(found, hung, both=both),
        _of_sense(found, hung, both=both),
        _drift(found, hung, enough=both or len(turns) > 1),
        _index(found, turns, hung),
    )


def passed(findings: Sequence[Finding]) -> bool:
    """Whether everything is proven."""
    return all(each.state == GOOD for each in findings)


def _binned(turn: Turn) -> tuple[Float64s, Float64s, Float64s]:
    """Mean angle, time and torque of each degree of a turn."""
    at = np.floor(np.mod(turn.angle_rad, math.tau) * (BINS / math.tau)).astype(np.int64) % BINS
    counts = np.bincount(at, minlength=BINS)
    if np.count_nonzero(counts) < FILLED_MIN * BINS:
        raise CalibrationError(
            f"a turn has samples at {np.count_nonzero(counts)} of {BINS} degrees: sample faster or turn slower"
        )
    there = counts > 0
    base = np.floor(turn.angle_rad[0] / math.tau) * math.tau
    centre = base + (np.arange(BINS) + 0.5) * (math.tau / BINS)
    off = np.mod(turn.angle_rad - centre[at] + math.pi, math.tau) - math.pi
    means = [
        np.bincount(at, each, BINS)[there] / counts[there] for each in (off, turn.time_s, turn.torque_nm)
    ]
    return centre[there] + means[0], means[1], means[2]


def _fitted(turns: Sequence[Turn]) -> _Sine:
    """Constant, friction, the sine, its part that changes with the sense, drift and the second order, of all turns at once."""
    parts = [_binned(turn) for turn in turns]
    angle, time, torque = (np.concatenate([part[at] for part in parts]) for at in range(3))
    way = np.concatenate([np.full(len(part[0]), turn.way) for part, turn in zip(parts, turns, strict=True)])
    span = float(time.max() - time.min()) or 1.0
    clock = (time - time.mean()) / span
    columns = [np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]
    both, drifts = len({turn.way for turn in turns}) == 2, len(turns) > 1
    columns += [way, way * np.cos(angle), way * np.sin(angle)] if both else []
    columns += [clock] if drifts else []
    design = np.column_stack(columns)
    values = np.linalg.lstsq(design, torque, rcond=None)[0]
    left = torque - design @ values
    u = _u_of(left, design)
    cosine, sine = float(values[1]), float(values[2])
    fit = left + design[:, 1:3] @ values[1:3]
    phases, begin = [], 0
    for part in parts:
        here = slice(begin, begin + len(part[0]))
        begin += len(part[0])
        own = np.linalg.lstsq(design[here, :3], fit[here], rcond=None)[0]
        phases.append(math.atan2(float(own[2]), float(own[1])))
    return _Sine(
        size=math.hypot(cosine, sine),
        phase=math.atan2(sine, cosine),
        zero=float(values[0]),
        friction=-float(values[5]) if both else 0.0,
        sense_part=math.hypot(float(values[6]), float(values[7])) if both else 0.0,
        drift=float(values[-1]) if drifts else 0.0,
        u=u,
        phases=tuple(phases),
    )


def _u_of(left: Float64s, design: Float64s) -> float:
    """Standard uncertainty of a coefficient: scatter of what is left, which neighbours share, over the bins."""
    freedom = max(len(left) - design.shape[1], 1)
    scatter = math.sqrt(float(left @ left) / freedom)
    shared = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-300)
    shared = min(max(shared, 0.0), 0.99)
    return scatter * math.sqrt(2.0 / len(left) * (1 + shared) / (1 - shared)) + 1e-12


def _torque_sign(found: _Sine, hung: Hung) -> Finding:
    along = math.cos(found.phase - math.radians(hung.level_deg))
    if abs(along) < NEAR_LEVEL:
        off = abs(_wrapped(math.degrees(found.phase) - hung.level_deg))
        return Finding(
            "torque sign",
            NOT_KNOWN,
            f"the sine lies {number(off, 3)}° from the level reading, too far to say: read --level again",
        )
    if along > 0:
        return Finding("torque sign", GOOD, "the weight's torque is positive where it has to be")
    return Finding(
        "torque sign", BAD, "reversed: the weight reads negative where it turns in the declared sense"
    )


def _angle_sense(hung: Hung) -> Finding:
    quarter = _wrapped(hung.down_deg - hung.level_deg)
    if abs(abs(quarter) - 90.0) > QUARTER_SLACK_DEG:
        return Finding(
            "angle sense",
            NOT_KNOWN,
            f"from level to hanging free the encoder turns {number(quarter, 3)}°, which is no quarter turn: read --level and --down again",
        )
    turned = f"from level to hanging free the encoder turns {number(quarter, 3)}°"
    if quarter > 0:
        return Finding("angle sense", GOOD, turned)
    return Finding("angle sense", BAD, f"reversed: {turned}, and the weight falls in the declared sense")


def _angle_zero(found: _Sine, hung: Hung, *, turned_round: bool) -> Finding:
    phase = math.degrees(found.phase) + (180.0 if turned_round else 0.0)
    off, u = (
        _wrapped(phase - hung.level_deg),
        math.hypot(hung.u_level_deg, math.degrees(found.u / found.size)),
    )
    said = f"the sine lies {interval(off, COVERAGE * u, '°')} from the level reading"
    if abs(off) <= COVERAGE * u:
        return Finding("angle zero", GOOD, said)
    return Finding(
        "angle zero", BAD, f"{said}: the encoder's zero or the coupling is off, or --level was misread"
    )


def _factor(found: _Sine, hung: Hung) -> Finding:
    off = found.size / hung.torque_nm - 1.0
    u = math.hypot(hung.u_rel, found.u / found.size)
    said = f"{interval(100 * off, 100 * COVERAGE * u, '%')} off, {quantity(found.size, 'N·m')} read of {quantity(hung.torque_nm, 'N·m')}"
    if abs(off) > COVERAGE * math.hypot(u, hung.u_factor_rel):
        return Finding(
            "factor",
            BAD,
            f"{said}: more than weight and calibration allow; a shaft off level by 3° alone makes −0.14 %",
        )
    if COVERAGE * u > hung.allowed_rel:
        return Finding(
            "factor",
            NOT_KNOWN,
            f"{said}: this lever cannot see {number(100 * hung.allowed_rel)} %; measure arm and mass better",
        )
    return Finding("factor", GOOD, said)


def _zero(found: _Sine, hung: Hung, *, both: bool) -> Finding:
    if not both:
        return Finding("zero", NOT_KNOWN, "turned one way only, so friction is in it: turn it back as well")
    return _small("zero", found.zero, found, hung, "the channel is not at zero without torque")


def _of_sense(found: _Sine, hung: Hung, *, both: bool) -> Finding:
    if not both:
        return Finding("hysteresis", NOT_KNOWN, "turned one way only: turn it back as well")
    why = "hysteresis of the transducer, backlash, an index that sticks, or angle and torque sampled apart; which of them cannot be said"
    return _small("hysteresis", found.sense_part, found, hung, why)


def _drift(found: _Sine, hung: Hung, *, enough: bool) -> Finding:
    if not enough:
        return Finding(
            "drift", NOT_KNOWN, "one turn cannot distinguish it from the sine: turn it back as well"
        )
    return _small("drift", found.drift, found, hung, "the zero moved while the lever was turned")


def _index(found: _Sine, turns: Sequence[Turn], hung: Hung) -> Finding:
    """Turns of one way are compared with each other; one each way differ by hysteresis as well."""
    of_way = [
        [phase for phase, turn in zip(found.phases, turns, strict=True) if turn.way == way] for way in (1, -1)
    ]
    if max(map(len, of_way)) < 2:
        if not all(of_way):
            return Finding("index", NOT_KNOWN, "one turn only, so nothing says whether the angle comes back")
        if _of_sense(found, hung, both=True).state == GOOD:
            return Finding("index", GOOD, "on the way back the sine lies where it lay")
        why = "on the way back the sine lies elsewhere, which hysteresis does too: turn it twice each way"
        return Finding("index", NOT_KNOWN, why)
    spread = max(_spread_deg(phases) for phases in of_way if phases)
    slack = INDEX_SLACK_DEG + 6.0 * math.degrees(found.u / found.size)
    said = f"from turn to turn the sine moves by {number(spread, 2)}°, {number(slack, 2)}° is allowed"
    if spread <= slack:
        return Finding("index", GOOD, said)
    return Finding("index", BAD, f"{said}: the index sticks, counts are lost or the coupling slips")


def _spread_deg(phases: Sequence[float]) -> float:
    off = [_wrapped(math.degrees(each - phases[0])) for each in phases]
    return max(off) - min(off)


def _small(what: str, value_nm: float, found: _Sine, hung: Hung, why: str) -> Finding:
    allowed = hung.allowed_rel * hung.torque_nm
    wide = COVERAGE * found.u
    said = f"{interval(value_nm, wide, 'N·m', beside=allowed)}, {quantity(allowed, 'N·m')} is allowed"
    if abs(value_nm) - wide > allowed:
        return Finding(what, BAD, f"{said}: {why}")
    if abs(value_nm) + wide > allowed:
        return Finding(what, NOT_KNOWN, f"{said}: too near to decide, turn it more often")
    return Finding(what, GOOD, said)


def _wrapped(degrees: float) -> float:
    return (degrees + 180.0) % 360.0 - 180.0


def whole_turns(time_s: Float64s, angle_rad: Float64s, torque_nm: Float64s, way: int) -> Iterator[Turn]:
    """The whole turns of a stretch that turns one way (n,), each; what is left over is in none."""
    travel = np.abs(angle_rad - angle_rad[0])
    for number_of in range(int(travel[-1] / math.tau + 1.0 - FILLED_MIN)):
        here = slice(*np.searchsorted(travel, (number_of * math.tau, (number_of + 1) * math.tau)).tolist())
        yield Turn(time_s[here], angle_rad[here], torque_nm[here], way)
