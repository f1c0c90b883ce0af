"""Counts to torque: `torque_nm = (raw - zero_count) * lsb_nm`, the one rule for live, stored and replayed samples."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from nightturn.calibration.records import CalibrationRecord, contradiction
from nightturn.errors import CalibrationError
from nightturn.model.quantities import number, quantity

Float64s = npt.NDArray[np.float64]
MV_PER_V = 1000.0


class TorqueChannel(msgspec.Struct, frozen=True):
    """The torque entry of the device's sheet: reading = raw * scale + offset, in `unit`.

    Attributes:
        bits: width of the signed counts.
        unit: "V" at the channel's input, or "mV/V" (ratiometric).
        scale: unit per count; not zero.
        offset: reading at count 0.
    """

    bits: Annotated[int, Meta(ge=8, le=32)]
    unit: Literal["V", "mV/V"]
    scale: float
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class TorqueScale:
    """Scale of a torque channel.

    The polarity multiplies `lsb_nm`, which is negative when rising counts are a falling torque; `zero_count` stays where
    the bridge's zero is.

    Attributes:
        lsb_nm: N·m per count, signed.
        zero_count: counts without torque, a fraction in general.
        rail_low, rail_high: the counts at which the converter saturates.
    """

    lsb_nm: float
    zero_count: float
    rail_low: int
    rail_high: int

    def to_nm(self, raw: npt.NDArray[np.int32] | npt.NDArray[np.int64]) -> Float64s:
        """Torque of counts, N·m, float64, same shape."""
        return (raw.astype(np.float64) - self.zero_count) * self.lsb_nm

    def counts_for(self, torque_nm: float) -> int:
        """The count at a torque, rounded away from the zero and kept on the rails.

        So a limit trips at or beyond its torque, never below: a count at or beyond this one means at least
        `torque_nm`, or a saturated converter, which may hide any torque.
        """
        counts = torque_nm / self.lsb_nm
        exact = self.zero_count + counts
        # One part in 1e12 is rounding of the division, not torque.
        slack = 1e-12 * max(abs(exact), abs(counts), 1.0)
        rounded = math.ceil(exact - slack) if counts >= 0 else math.floor(exact + slack)
        return min(max(rounded, self.rail_low), self.rail_high)

    def limit_counts(self, max_nm: float) -> tuple[int, int]:
        """(low, high): a raw count <= low or >= high has reached ±`max_nm` or a rail.

        Raises:
            CalibrationError: `max_nm` is not a positive number.
        """
        if not 0 < max_nm < math.inf:
            raise CalibrationError(f"protective torque of {quantity(max_nm, 'N·m')}; give a positive number")
        one, other = self.counts_for(max_nm), self.counts_for(-max_nm)
        return min(one, other), max(one, other)


def torque_scale(record: CalibrationRecord, entry: Mapping[str, object]) -> TorqueScale:
    """The scale from a calibration record and the torque entry of the device's sheet.

    Args:
        record: the record in force.
        entry: {"bits", "unit", "scale"} and optionally "offset".

    Raises:
        CalibrationError: the entry cannot be read, or the two do not fit together.
    """
    where = f"torque channel with calibration {record.id!r}"
    try:
        channel = msgspec.convert(entry, TorqueChannel)
    except msgspec.ValidationError as error:
        raise CalibrationError(
            f"{where}: device sheet: {error}; correct the sheet in the device's firmware"
        ) from error
    if not 0 < abs(channel.scale) < math.inf or not abs(channel.offset) < math.inf:
        raise CalibrationError(
            f"{where}: device sheet: scale {number(channel.scale)} and offset {number(channel.offset)} must be finite and the scale "
            "not zero; correct the sheet in the device's firmware"
        )
    problem = contradiction(record)
    if problem:
        raise CalibrationError(f"{where}: the record {problem}")
    nm_per_unit = _nm_per_unit(record, channel.unit, where)
    zero = _zero_in(record, channel.unit, where)
    half = 1 << (channel.bits - 1)  # two's complement reaches one count further down than up
    return TorqueScale(
        lsb_nm=record.polarity * channel.scale * nm_per_unit,
        zero_count=(zero - channel.offset) / channel.scale,
        rail_low=-half,
        rail_high=half - 1,
    )


def _nm_per_unit(record: CalibrationRecord, unit: str, where: str) -> float:
    """N·m per V or per mV/V, positive."""
    # A converter that refers to the excitation reads mV/V, from which the excitation has gone; one that does not reads V,
    # and then the torque is only as good as the excitation that the record names.
    if record.factor_nm_per_v is not None:
        if unit == "V":
            return record.factor_nm_per_v
        return record.factor_nm_per_v * _excitation_v(record, unit, where) / MV_PER_V
    if record.sensitivity_mv_per_v is None or record.rated_torque_nm is None:
        raise CalibrationError(f"{where}: the record gives neither factor nor sensitivity")
    nm_per_mv_per_v = record.rated_torque_nm / record.sensitivity_mv_per_v
    if unit == "mV/V":
        return nm_per_mv_per_v
    return nm_per_mv_per_v * MV_PER_V / _excitation_v(record, unit, where)


def _zero_in(record: CalibrationRecord, unit: str, where: str) -> float:
    """The zero in the sheet's unit."""
    if unit == "V":
        if not record.zero_mv_per_v:
            return record.zero_v
        return record.zero_mv_per_v * _excitation_v(record, unit, where) / MV_PER_V
    if not record.zero_v:
        return record.zero_mv_per_v
    return record.zero_v * MV_PER_V / _excitation_v(record, unit, where)


def _excitation_v(record: CalibrationRecord, unit: str, where: str) -> float:
    if record.excitation_v is None:
        raise CalibrationError(
            f"{where}: the device's sheet is in {unit} and the record is not; add excitation_v to the record, "
            f"or give factor, sensitivity and zero in {unit}"
        )
    return record.excitation_v
