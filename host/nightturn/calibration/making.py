"""A calibration record from readings, or from what an outside certificate states."""

import math
from collections.abc import Mapping
from datetime import datetime, timedelta

import msgspec

from nightturn.calibration.certificate import RATIOS
from nightturn.calibration.records import CalibrationRecord, contradiction
from nightturn.calibration.series import Calibrated
from nightturn.errors import CalibrationError
from nightturn.model.certificates import Certificate, Expanded, Stated

BOUND_K = math.sqrt(3.0)
"""Of a largest deviation, of which nothing else is known (JCGM 100:2008, 4.3.7)."""
PLAIN = ("full_scale_nm", "temp_low_degc", "temp_high_degc")


class Signed(msgspec.Struct, frozen=True, kw_only=True):
    """Whose record it is: its id, transducer and certificate, who signs it, from when and for how many days it holds.

    Zero and excitation go on from the record that it supersedes: a lever has a torque of its own, so its readings say no zero.
    """

    id: str
    transducer: str
    certificate: str
    signed_by: str
    valid_from: datetime
    valid_days: int
    supersedes: str | None = None
    zero_v: float = 0.0
    zero_mv_per_v: float = 0.0
    excitation_v: float | None = None


def record_of_readings(
    found: Calibrated, load_parts_rel: Mapping[str, float], unit: str, signed: Signed
) -> CalibrationRecord:
    """The record of a channel that was read at known torques.

    Args:
        found: what the readings say.
        load_parts_rel: relative standard uncertainties that all torques share, by source.
        unit: of the readings, "V" or "mV/V".
        signed: whose it is.

    Raises:
        CalibrationError: it cannot be kept, and why.
    """
    certificate = Certificate(
        full_scale_nm=found.full_scale_nm,
        factor_rel=math.hypot(found.u_slope_rel, *load_parts_rel.values()),
        linearity_rel_fs=_bound(found.linearity),
        hysteresis_rel_fs=_bound(found.hysteresis),
        zero_return_rel_fs=_bound(found.zero_return),
    )
    scale: dict[str, float] = {"factor_nm_per_v": 1.0 / abs(found.slope)}
    if unit == "mV/V":
        full = found.full_scale_nm
        scale = {"sensitivity_mv_per_v": abs(found.slope) * full, "rated_torque_nm": full}
    return _kept(signed, {**scale, "polarity": 1 if found.slope > 0 else -1, "uncertainty": certificate})


def record_of_certificate(
    scale: Mapping[str, float], states: Mapping[str, str], signed: Signed
) -> CalibrationRecord:
    """The record of a certificate from elsewhere.

    Args:
        scale: `factor_nm_per_v`, or `sensitivity_mv_per_v` with `rated_torque_nm`; `zero_v`, `excitation_v`, `polarity`.
        states: what it states of its uncertainty by the key of `Certificate`: `VALUE` (standard) or `VALUE/K` (expanded).
        signed: whose it is.

    Raises:
        CalibrationError: a key that there is not, no number, or what contradicts itself.
    """
    known = (*RATIOS, *PLAIN)
    strange = sorted(set(states) - set(known))
    if strange:
        raise CalibrationError(
            f"{strange[0]} is nothing that a certificate states here; give one of {', '.join(known)}"
        )
    stated = {key: _stated(key, text) for key, text in states.items()}
    return _kept(
        signed, {**scale, **({"uncertainty": msgspec.convert(stated, Certificate)} if stated else {})}
    )


def _stated(key: str, text: str) -> object:
    size, slash, k = text.partition("/")
    try:
        if slash and key not in PLAIN:
            return {"expanded": float(size), "k": float(k)}
        return float(text)
    except ValueError as error:
        raise CalibrationError(
            f"{key}={text}: give a number, or NUMBER/K for an expanded uncertainty"
        ) from error


def _bound(size: float) -> Stated | None:
    return Expanded(size, BOUND_K) if size > 0 else None


def _kept(signed: Signed, values: Mapping[str, object]) -> CalibrationRecord:
    of = msgspec.structs.asdict(signed)
    of["valid_until"] = signed.valid_from + timedelta(days=of.pop("valid_days"))
    try:
        record = msgspec.convert(msgspec.to_builtins({**of, **values}), CalibrationRecord)
    except (msgspec.ValidationError, TypeError, OverflowError) as error:
        raise CalibrationError(f"record {signed.id!r}: {error}") from error
    problem = contradiction(record)
    if problem:
        raise CalibrationError(f"record {signed.id!r} {problem}")
    return record
