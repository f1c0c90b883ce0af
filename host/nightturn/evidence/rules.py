"""The table: which cause needs what to have moved, what must not have moved, what competes, what to measure next.

It is read from top to bottom and nothing here learns. That a cause moves a feature is common practice without a source where no
other is named; `families.py` names that of the orders, `temperature.py` that of friction.
"""

from typing import NamedTuple

from nightturn.evidence.features import (
    BEARING,
    BEYOND,
    BREAKAWAY,
    BRIDGE_TEMPERATURE,
    CALIBRATION,
    COGGING,
    COVERAGE,
    DEFECT,
    ELECTRICAL,
    ENCODER,
    FOLLOWS,
    FRICTION,
    GAIN,
    JUMPS,
    LAG,
    LCM,
    LOCKED,
    MEAN_TORQUE,
    OTHER_LINE,
    OTHER_RIG,
    PATTERN_ANGLE,
    POLES,
    RAILED,
    REMOUNT,
    RIPPLE,
    SHAFT,
    SIDE_LINES,
    SIDEBANDS,
    SLOTS,
    SWING,
    TEMPERATURE,
    TILT,
    ZERO,
)


class Moved(NamedTuple):
    """A kind of feature and the sense in which it must have moved: +1, -1 or, with 0, either; `far`: by what matters at least."""

    kind: str
    sign: int
    far: bool = False


def up(kind: str) -> Moved:
    """It must have become more."""
    return Moved(kind, 1)


def down(kind: str) -> Moved:
    """It must have become less."""
    return Moved(kind, -1)


def either_way(kind: str) -> Moved:
    """It must have moved."""
    return Moved(kind, 0)


def far(kind: str) -> Moved:
    """It must have moved by what matters of it at least; less than that may be temperature or a mount."""
    return Moved(kind, 0, far=True)


class Rule(NamedTuple):
    """One cause.

    Attributes:
        cause: its key; title: in words, behind "consistent with".
        needs: each must be met by one of its alternatives.
        still: kinds that must not have moved; one that was not seen makes the finding weaker.
        may: kinds that the cause may move as well, beside those it needs.
        not_when: interventions with which it says nothing. only_when: interventions of which one must be known.
        unless_seen: kinds with which another row decides. only_seen: kinds without which it cannot be told from another row.
        yields_to: causes that would have moved what it needs as well.
        weaker_when: interventions that could have done the same.
        hands: what to measure next brings somebody's hands to the rig.
        competing, next: the competing explanation, and what to measure next.
    """

    cause: str
    title: str
    needs: tuple[tuple[Moved, ...], ...]
    competing: str
    next: str
    still: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    not_when: tuple[str, ...] = ()
    only_when: tuple[str, ...] = ()
    unless_seen: tuple[str, ...] = ()
    only_seen: tuple[str, ...] = ()
    yields_to: tuple[str, ...] = ()
    hands: bool = False
    weaker_when: tuple[str, ...] = ()


SIGNAL = (RAILED, JUMPS, ENCODER)
"""With these every figure may be wrong, and only what made them is asked for."""
FRICTIONS = (FRICTION, BEYOND, FOLLOWS, BREAKAWAY)
WAVEFORMS = (RIPPLE, COGGING)
FIGURES_ALL = (
    *FRICTIONS,
    *WAVEFORMS,
    ZERO,
    MEAN_TORQUE,
    GAIN,
    LAG,
    PATTERN_ANGLE,
    DEFECT,
    BEARING,
    OTHER_LINE,
)
ORDERS_ALL = (LCM, TILT, SLOTS, POLES, SIDEBANDS, SIDE_LINES, ELECTRICAL, SHAFT)

RULES: tuple[Rule, ...] = (
    Rule(
        "cable",
        "a bridge cable or plug with an intermittent contact",
        needs=((up(JUMPS),),),
        still=(LOCKED,),
        may=(RAILED, *FIGURES_ALL, *ORDERS_ALL),
        competing="interference from a drive or a relay that switches nearby",
        hands=True,
        next="move cable and plug by hand at rest and watch the torque signal; measure the bridge's resistance at the plug",
    ),
    Rule(
        "cable flexing",
        "a bridge cable that breaks contact where it is bent",
        needs=((up(JUMPS),), (up(LOCKED),)),
        may=(RAILED, *FIGURES_ALL, *ORDERS_ALL),
        competing="a torque so high at this angle that the converter or the amplifier is driven beyond its range",
        hands=True,
        next="lay the cable in another way and see whether the angle moves with it",
    ),
    Rule(
        "over range",
        "a torque or a zero beyond the range of the converter",
        needs=((up(RAILED),),),
        still=(JUMPS,),
        may=(*FIGURES_ALL, *ORDERS_ALL),
        competing="a wire of the bridge that is open for good",
        next="read the zero at rest without load; make a shunt check",
    ),
    Rule(
        "encoder",
        "a fault of the encoder, its disc or its cable",
        needs=((up(ENCODER),),),
        may=(COVERAGE, *FIGURES_ALL, *ORDERS_ALL),
        competing="a shaft that was turned by hand or that slipped in its coupling",
        hands=True,
        next="turn slowly through a revolution and count between index marks",
    ),
    Rule(
        "lost samples",
        "samples lost on the line or in the host",
        needs=((down(COVERAGE),),),
        still=(ENCODER,),
        competing="cycles that were broken off",
        next="run `nightturn linktest` on this line; look at the causes of the gaps",
    ),
    Rule(
        "bearing",
        "damage in a bearing",
        needs=((up(BEARING),),),
        still=SIGNAL,
        may=(*FRICTIONS, *WAVEFORMS, OTHER_LINE, DEFECT),
        competing="another part that turns at this order, or mains hum at this speed",
        next="measure at another speed: the order of a bearing stays, hum moves; turn 20 revolutions, so that the order is known to 0.001",
    ),
    Rule(
        "magnets",
        "magnets that differ (one chipped, loose or weak)",
        needs=((up(SLOTS), up(SIDEBANDS)),),
        still=(*SIGNAL, POLES, GAIN),
        yields_to=("coupling",),
        may=(SLOTS, SIDEBANDS, SIDE_LINES, LCM, TILT, SHAFT, DEFECT, PATTERN_ANGLE, *WAVEFORMS),
        competing="a rotor that has moved out of its centre and turns so",
        hands=True,
        next="look at the rotor at the angle where the cogging deviates; compare the cogging over single pole pitches",
    ),
    Rule(
        "slots",
        "slots or teeth of the stator that differ",
        needs=((up(POLES),),),
        still=(*SIGNAL, SLOTS, SIDEBANDS, GAIN),
        yields_to=("coupling",),
        may=(POLES, LCM, TILT, SIDE_LINES, DEFECT, *WAVEFORMS),
        competing="a rotor out of its centre that does not turn with it, as from a bearing seat",
        hands=True,
        next="measure the air gap around the stator",
    ),
    Rule(
        "out of centre",
        "an encoder disc or a rotor out of its centre",
        needs=((up(SIDE_LINES),),),
        still=(*SIGNAL, SLOTS, POLES, SIDEBANDS),
        may=(SIDE_LINES, SHAFT, PATTERN_ANGLE, *WAVEFORMS),
        competing="a shaft of the rig that is bent or coupled at an angle",
        hands=True,
        next="measure the run-out of encoder disc and rotor with a dial gauge",
    ),
    Rule(
        "one place",
        "dirt, a burr or a mark at one place of the turn",
        needs=((up(DEFECT),),),
        still=(*SIGNAL, SLOTS, SIDEBANDS, POLES, BEARING),
        may=(*WAVEFORMS, *FRICTIONS),
        competing="a cable or a cover that touches at this angle",
        next="measure friction over angle around this place, in both directions",
    ),
    Rule(
        "coupling",
        "a coupling or a mount that has become softer",
        needs=((either_way(LCM),), (far(TILT),)),
        still=(*SIGNAL, SIDEBANDS),
        may=(LCM, TILT, LAG, SLOTS, POLES, SHAFT, ELECTRICAL, PATTERN_ANGLE, *WAVEFORMS),
        competing="another shape of the air gap, as after a shift of the rotor along its axis",
        next="measure at half the speed: a resonance changes orders by their frequency, an air gap does not; time the ring after a stop",
    ),
    Rule(
        "current",
        "the current measurement of the motor's drive (offset or gain of a phase)",
        needs=((either_way(ELECTRICAL),),),
        still=(*SIGNAL, SLOTS, TILT, GAIN),
        may=(RIPPLE,),
        competing="another current waveform or another setting of the motor's drive",
        next="measure the ripple at twice the torque: an offset's part stays, a gain's part doubles",
    ),
    Rule(
        "field",
        "magnets that have become weaker or stronger together, or another air gap",
        needs=((far(LCM),),),
        still=(*SIGNAL, TILT, TEMPERATURE, SLOTS, SIDEBANDS, GAIN),
        may=(*WAVEFORMS, MEAN_TORQUE),
        competing="another factor of the torque channel, or magnets at another temperature than the sensor's",
        next="measure mean torque at a known current; make a shunt check",
    ),
    Rule(
        "torque gain",
        "another gain of the torque channel (factor, excitation or amplifier)",
        needs=((either_way(GAIN),),),
        still=SIGNAL,
        may=(MEAN_TORQUE, LCM, *FRICTIONS, *WAVEFORMS, *ORDERS_ALL, ZERO),
        weaker_when=(CALIBRATION, OTHER_RIG),
        competing="a unit whose current, friction and field all changed alike",
        next="make a shunt check; compare with a reference unit",
    ),
    Rule(
        "held torque",
        "another torque for the same current (current scale of the motor's drive, or magnets)",
        needs=((either_way(MEAN_TORQUE),),),
        still=(*SIGNAL, GAIN, ZERO),
        may=(RIPPLE,),
        only_seen=(GAIN,),
        weaker_when=(CALIBRATION, OTHER_RIG),
        competing="another factor of the torque channel",
        next="make a shunt check; measure the current during the hold",
    ),
    Rule(
        "mean torque",
        "another torque for the same current, or another gain of the torque channel, between which nothing decides",
        needs=((either_way(MEAN_TORQUE),),),
        still=(*SIGNAL, ZERO),
        may=(*WAVEFORMS, *ORDERS_ALL),
        unless_seen=(GAIN,),
        weaker_when=(CALIBRATION, OTHER_RIG),
        competing="either of the two, as long as the cogging order is not known well enough",
        next="make a shunt check; measure the current during the hold",
    ),
    Rule(
        "wear",
        "wear, dirt or loss of lubricant in the bearings",
        needs=((up(BEYOND),),),
        still=(*SIGNAL, BEARING, GAIN),
        may=FRICTIONS,
        weaker_when=(REMOUNT, OTHER_RIG),
        competing="more preload, or a seal that rubs; a temperature at the bearing that the sensor does not show",
        next="measure friction at three speeds and after an hour of rest: wear lifts it at all speeds, cold grease with the speed",
    ),
    Rule(
        "run-in",
        "bearings that have run in, or spread their lubricant",
        needs=((down(BEYOND),),),
        still=(*SIGNAL, GAIN),
        may=FRICTIONS,
        weaker_when=(REMOUNT, OTHER_RIG),
        competing="less preload; a bearing warmer than its sensor",
        next="measure again after a rest of a night at one temperature",
    ),
    Rule(
        "friction",
        "wear of the bearings or a colder unit, between which no temperature decides",
        needs=((up(FRICTION),),),
        still=(*SIGNAL, BEARING),
        may=FRICTIONS,
        unless_seen=(BEYOND,),
        weaker_when=(REMOUNT, OTHER_RIG),
        competing="either of the two, as long as no temperature of the unit is recorded",
        next="record a temperature of the unit",
    ),
    Rule(
        "colder",
        "a colder unit, whose grease is stiffer",
        needs=((down(TEMPERATURE),), (up(FRICTION), down(FOLLOWS))),
        still=(*SIGNAL, BEYOND),
        may=(*FRICTIONS, ZERO, BRIDGE_TEMPERATURE, LCM, *WAVEFORMS, MEAN_TORQUE),
        competing="wear of the same size by chance; it would stay at the temperature of before",
        next="compare cycles at the temperature of the baseline",
    ),
    Rule(
        "warmer",
        "a warmer unit, as by warming up",
        needs=((up(TEMPERATURE),), (down(FRICTION), down(FOLLOWS))),
        still=(*SIGNAL, BEYOND),
        may=(*FRICTIONS, ZERO, BRIDGE_TEMPERATURE, LCM, *WAVEFORMS, MEAN_TORQUE),
        competing="running in of the same size by chance; it would stay at the temperature of before",
        next="compare cycles at the temperature of the baseline",
    ),
    Rule(
        "room",
        "a room temperature that goes to and fro, as with an air conditioning",
        needs=((up(SWING),),),
        still=(*SIGNAL, BEYOND),
        may=(FRICTION, FOLLOWS, BREAKAWAY, TEMPERATURE, BRIDGE_TEMPERATURE),
        competing="the unit's own warmth, if its plan has pauses of this period",
        next="take means over whole periods, or hold the room's temperature",
    ),
    Rule(
        "zero with temperature",
        "a zero of the torque channel that follows the temperature of its bridge",
        needs=((either_way(ZERO),), (either_way(BRIDGE_TEMPERATURE),)),
        still=SIGNAL,
        may=(TEMPERATURE,),
        not_when=(CALIBRATION,),
        weaker_when=(REMOUNT, OTHER_RIG),
        competing="a drift of the amplifier, or a side load, at the same time",
        next="record the zero at rest while only the temperature changes",
    ),
    Rule(
        "zero drift",
        "a zero drift of transducer or amplifier, not of the unit",
        needs=((either_way(ZERO),),),
        still=(*SIGNAL, BRIDGE_TEMPERATURE, MEAN_TORQUE, SHAFT, PATTERN_ANGLE),
        not_when=(REMOUNT, OTHER_RIG, CALIBRATION),
        competing="a side load or a cable that pulls at the transducer; friction by reversal does not see either",
        hands=True,
        next="read the zero with the unit taken from the flange; make a shunt check",
    ),
    Rule(
        "remount",
        "the remount that is on record",
        needs=((either_way(ZERO), either_way(SHAFT), either_way(PATTERN_ANGLE)),),
        still=(*SIGNAL, SLOTS),
        may=(ZERO, SHAFT, PATTERN_ANGLE, SIDE_LINES, LAG, BRIDGE_TEMPERATURE, *WAVEFORMS),
        only_when=(REMOUNT,),
        competing="a drift of the zero and a moved encoder at the same time",
        hands=True,
        next="mount again without any other change and compare",
    ),
    Rule(
        "mount moved",
        "a unit that moved in its mount, or a remount that is not on record",
        needs=((either_way(ZERO),), (either_way(SHAFT), either_way(PATTERN_ANGLE))),
        still=(*SIGNAL, SLOTS),
        may=(ZERO, SHAFT, PATTERN_ANGLE, SIDE_LINES, LAG, *WAVEFORMS),
        not_when=(REMOUNT, OTHER_RIG, CALIBRATION),
        competing="a drift of the zero and a moved encoder at the same time",
        hands=True,
        next="look at the marks on flange and coupling; tighten and measure again",
    ),
    Rule(
        "encoder moved",
        "an encoder or a coupling that slipped on the shaft",
        needs=((either_way(PATTERN_ANGLE),),),
        still=(*SIGNAL, ZERO, SHAFT, SLOTS, TILT),
        may=(PATTERN_ANGLE, SIDE_LINES),
        not_when=(REMOUNT,),
        competing="an index mark that was read at another place",
        next="compare the angle of the index mark with that of the cogging pattern over several starts",
    ),
    Rule(
        "other line",
        "a part that turns at an order of its own (a bearing that is not declared, a belt or the drive)",
        needs=((up(OTHER_LINE),),),
        still=(*SIGNAL, BEARING),
        may=(*FRICTIONS, *WAVEFORMS),
        competing="mains hum at this speed",
        next="measure at another speed; declare the bearings of unit and rig",
    ),
)
