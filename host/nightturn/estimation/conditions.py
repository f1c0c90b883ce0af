"""What `finish` must know beside the sums: calibration, unit, plan and acceptance as plain values."""

import msgspec


class AcceptLimit(msgspec.Struct, frozen=True):
    """One acceptance limit: upper limit, guard band (same unit) and the conditions under which it holds."""

    figure: str
    max: float
    guard: float = 0.0
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
        slow_speed_rpm, hold_speed_rpm, hold_torque_nm: set points of the plan.
        resonance_hz: torsional resonance of the rig, None when not known.
        mains_hz: frequency of the mains, whose hum may fall on an order.
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
    resonance_hz: float | None = None
    mains_hz: float = 50.0
    run: str = ""
    calibration_id: str = ""
    config_digest: str = ""
    accept: tuple[AcceptLimit, ...] = ()
