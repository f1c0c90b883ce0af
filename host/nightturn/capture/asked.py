"""What a person says of their capture: what the columns are, and the numbers that no file holds."""

from collections.abc import Mapping

import msgspec

from nightturn.errors import ConfigError
from nightturn.model.quantities import number

ROLES = ("time", "torque", "angle", "a", "b", "index", "sine", "cosine")
"""What a column can be."""
PLAUSIBLE_U_PCT = 5.0
"""A factor that is known worse than this was never calibrated."""


class Asked(msgspec.Struct, frozen=True, kw_only=True):
    """A question to a capture.

    Attributes:
        columns: by role, as `tables.choosing.asked_column` takes them; absent ones are looked for.
        rated_nm: rated torque of the actuator, N·m.
        factor: N·m per V, or per mV/V where the torque column is in mV/V; None where it is in N·m.
        factor_u_pct: standard uncertainty of the factor, %; None where nobody knows it.
        rate_hz: samples a second where the file has no time.
        rpm: speed that is taken as constant where the file has no angle.
        counts: encoder counts in one turn; all four edges of A and B count.
        periods: periods of the sine, or index pulses, in one turn.
        held_nm: torque that the actuator held, N·m; 0 for none.
        pole_pairs, slots: of the actuator, None when not known.
        start_s, stop_s: of the file's time, what is looked at.
        delimiter, decimal: of the text, None to read them from it.
        mains_hz: frequency of the mains.
    """

    columns: Mapping[str, str] = {}
    rated_nm: float
    factor: float | None = None
    factor_u_pct: float | None = None
    rate_hz: float | None = None
    rpm: float | None = None
    counts: int | None = None
    periods: int = 1
    held_nm: float = 0.0
    pole_pairs: int | None = None
    slots: int | None = None
    start_s: float | None = None
    stop_s: float | None = None
    delimiter: str | None = None
    decimal: str | None = None
    mains_hz: float = 50.0


def checked(asked: Asked) -> Asked:
    """The same, once its numbers can be meant.

    Raises:
        ConfigError: names the option and the remedy.
    """
    positive = {
        "--rated": asked.rated_nm,
        "--rate": asked.rate_hz,
        "--rpm": asked.rpm,
        "--counts": asked.counts,
        "--periods": asked.periods,
        "--pole-pairs": asked.pole_pairs,
        "--slots": asked.slots,
    }
    for option, value in positive.items():
        if value is not None and not 0 < value < float("inf"):
            raise ConfigError(f"{option} {number(value)}: give a positive number")
    if asked.factor is not None and not 0 < abs(asked.factor) < float("inf"):
        raise ConfigError(f"--factor {number(asked.factor)}: give N·m per V, not zero")
    if asked.factor_u_pct is not None and not 0 <= asked.factor_u_pct <= PLAUSIBLE_U_PCT:
        raise ConfigError(
            f"--factor-u {number(asked.factor_u_pct)}: give the standard uncertainty in per cent, 0 to {number(PLAUSIBLE_U_PCT)}"
        )
    if asked.start_s is not None and asked.stop_s is not None and asked.start_s >= asked.stop_s:
        raise ConfigError("--from lies behind --to; give the earlier time first")
    if asked.rpm is not None and any(
        role in asked.columns for role in ("angle", "a", "b", "index", "sine", "cosine")
    ):
        raise ConfigError("--rpm takes the place of an angle; leave it out, or the column of the angle")
    for one, other in (("a", "b"), ("b", "a"), ("cosine", "sine")):
        if one in asked.columns and other not in asked.columns:
            raise ConfigError(f"--{one} needs --{other} too")
    return asked
