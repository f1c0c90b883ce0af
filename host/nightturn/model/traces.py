"""Torque of the last seconds, for people watching."""

import msgspec


class Trace(msgspec.Struct, frozen=True):
    """Torque in windows of 20 ms that follow each other, or are apart where samples are missing.

    Attributes:
        ts: when the newest window begins, UTC ns; age_s: of each window's begin before that, oldest first.
        low_nm, high_nm: the extremes in each. position_deg: from the travel zero, at each end; None while travel is unknown.
    """

    ts: int
    age_s: tuple[float, ...]
    low_nm: tuple[float, ...]
    high_nm: tuple[float, ...]
    position_deg: tuple[float, ...] | None = None
