"""What evidence takes of a cycle: plain values, whether they come from stored rows or from a live record."""

import msgspec


class Value(msgspec.Struct, frozen=True, array_like=True):
    """A figure that may be believed: value, the cycle's own standard uncertainty with its degrees of freedom, and what all cycles share."""

    value: float
    u: float = 0.0
    nu: float = 1.0
    u_common: float = 0.0


class OrderValue(msgspec.Struct, frozen=True, array_like=True):
    """One order of a table: peak N·m, phase rad, standard uncertainty N·m; `order` may lie between whole ones."""

    order: float
    amplitude_nm: float
    phase_rad: float = 0.0
    u_nm: float = 0.0


class DefectValue(msgspec.Struct, frozen=True, array_like=True):
    """A deviation at one angle: where, degrees, and how high, N·m."""

    angle_deg: float
    height_nm: float


class CycleValues(msgspec.Struct, frozen=True, array_like=True):
    """One cycle. None is "not looked for", an empty tuple or 0 is "looked for and not there".

    Attributes:
        start_s: when it began, on any clock of both groups.
        direction: sense of the hold, +1 or -1.
        figures: by name of the kind: friction, breakaway, zero, mean torque, ripple, cogging, lag; only those that are `ok`.
        hold_orders, cogging_orders: the order tables; highest_order: of their band.
        lines: orders that are no whole numbers. defects: deviations at one angle.
        temperatures_degc: by role.
        railed, jumps: samples of the measuring passes. jump_angles_deg: where the shaft was, at most some hundred.
        coverage: share of the expected samples. encoder_findings: jumps of the encoder, which break a cycle off, since the complete cycle before.
    """

    start_s: float = 0.0
    direction: int = 1
    speed_rpm: float = 0.0
    setpoint_nm: float = 0.0
    figures: dict[str, Value] = {}
    hold_orders: tuple[OrderValue, ...] | None = None
    cogging_orders: tuple[OrderValue, ...] | None = None
    highest_order: int = 0
    lines: tuple[OrderValue, ...] | None = None
    defects: tuple[DefectValue, ...] | None = None
    temperatures_degc: dict[str, float] = {}
    railed: int | None = None
    jumps: int | None = None
    jump_angles_deg: tuple[float, ...] | None = None
    coverage: float | None = None
    encoder_findings: int | None = None


class Declared(msgspec.Struct, frozen=True):
    """What is known of unit and rig: pole pairs and slots, 0 where they are not, and (name, order) of every bearing line."""

    pole_pairs: int = 0
    slots: int = 0
    bearings: tuple[tuple[str, float], ...] = ()
