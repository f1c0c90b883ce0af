"""What `finish` must know beside the sums: calibration, unit, plan and acceptance as plain values."""

import msgspec

from nightturn.model.certificates import Certificate
from nightturn.model.rig_record import RigRecord
from nightturn.model.verdicts import MAX


class AcceptLimit(msgspec.Struct, frozen=True):
    """One acceptance limit: bound, guard band (same unit) and the conditions under which it holds.

    Attributes:
        bound: `max` or `min`; a figure with both has two limits.
        signed: hold the value with its sign against it, not its magnitude.
        turning: +1 or -1, the declared sense of the pass it holds for; 0 for both.
        at_torque_nm: with its sign.
    """

    figure: str
    limit: float
    bound: str = MAX
    guard: float = 0.0
    signed: bool = False
    turning: int = 0
    at_rpm: float | None = None
    at_torque_nm: float | None = None
    temp_degc: tuple[float, float] | None = None


class Conditions(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that turns integer sums into figures.

    Attributes:
        lsb_nm: N·m per ADC count, polarity included (negative when the bridge is wired the other way round).
        zero_count: ADC counts at zero torque.
        sense: +1 or -1, declared positive angle against increasing encoder counts.
        pole_pairs, slots: of the unit; drive_pole_pairs, drive_slots: of the turning drive.
        slow_speed_rpm, hold_speed_rpm, hold_torque_nm, stroke_torque_nm: set points of the plan.
        resonance_hz: torsional resonance of the rig, None when not known.
        filter_hz, filter_poles: corner (0.707 left) and number of poles of the low-pass before the converter, None when not
            known; filter_u_rel: standard uncertainty of the corner, relative; filter_source: who states it.
        mains_hz: frequency of the mains, whose hum may fall on an order.
        certificate: uncertainties of the torque channel, None where its record states none; certificate_source: where they
            are found.
        excitation_counts: whether the supply of the bridge enters the torque.
        bearings: what the rig's declared bearings make: (what it is, order); unit_bearings: the same of the unit's own.
        rig: what the rig makes by itself, None where no record holds; rig_unfit: a sentence on why the one there is does not;
            rig_tied: whether the angle of this cycle was tied to the encoder's zero.
    """

    lsb_nm: float
    zero_count: float
    sense: int = 1
    counts_per_rev: int
    rate_hz: float
    rated_torque_nm: float
    pole_pairs: int
    slots: int
    drive_pole_pairs: int = 0
    drive_slots: int = 0
    slow_speed_rpm: float
    hold_speed_rpm: float = 0.0
    hold_torque_nm: float = 0.0
    stroke_torque_nm: float = 0.0
    resonance_hz: float | None = None
    filter_hz: float | None = None
    filter_poles: int = 1
    filter_u_rel: float = 0.0
    filter_source: str = ""
    mains_hz: float = 50.0
    run: str = ""
    calibration_id: str = ""
    config_digest: str = ""
    accept: tuple[AcceptLimit, ...] = ()
    certificate: Certificate | None = None
    certificate_source: str = ""
    excitation_counts: bool = True
    bearings: tuple[tuple[str, float], ...] = ()
    unit_bearings: tuple[tuple[str, float], ...] = ()
    rig: RigRecord | None = None
    rig_unfit: str = ""
    rig_tied: bool = True
