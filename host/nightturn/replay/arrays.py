"""A person's own arrays, checked and brought into one form: seconds, unwrapped radians, N·m, nothing masked."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from numbers import Real

import numpy as np
import numpy.typing as npt

from nightturn.errors import InsufficientSamplesError
from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s
from nightturn.replay.grids import Bools

TURN_STEP = 0.5
"""A step of more than this share of a turn from one sample to the next is a wrapped angle's, not a shaft's."""
TURN_NEAR = 0.1
"""How near to a whole turn the jumps of a wrapped angle are, as a share of it."""
WITHIN = 1.01
RADIANS = "radians"
WRAPS = {"turns": 1.0, RADIANS: 2 * np.pi, "degrees": 360.0}
"""Size of a turn by unit, the smallest first."""
IN_RADIANS = {"degrees": "np.radians(angle)", "turns": "2 * np.pi * angle"}
NS_PER_S = 1_000_000_000
COARSE_SHARE = 0.1
"""Times whose own digits step by more than this share of a sample say nothing of it."""


@dataclass(frozen=True, slots=True)
class Arrays:
    """Samples without masked ones, shapes (n,), and what has to be said of them.

    Attributes:
        origin_ns: time 0 in ns since 1970, where the times were dates.
    """

    time_s: Float64s
    angle_rad: Float64s
    torque_nm: Float64s
    notes: tuple[str, ...] = ()
    origin_ns: int = 0


@dataclass(frozen=True, slots=True)
class Column:
    """One array as float64 and which of its values are masked, shapes (n,)."""

    values: Float64s
    masked: Bools
    origin_ns: int = 0


def checked(time_s: npt.ArrayLike, angle_rad: npt.ArrayLike, torque_nm: npt.ArrayLike) -> Arrays:
    """The arrays in one form.

    Times may be dates; they then count from the first one. Masked samples are left out. An angle that falls back by a
    turn is unwrapped.

    Raises:
        ValueError: no numbers, other dimensions or lengths than needed, a value that is not finite, degrees or turns.
        InsufficientSamplesError: fewer than two samples.
    """
    columns = {
        "time_s": _times(time_s),
        "angle_rad": _column("angle_rad", angle_rad),
        "torque_nm": _column("torque_nm", torque_nm),
    }
    lengths = {name: len(column.values) for name, column in columns.items()}
    if len(set(lengths.values())) > 1:
        said = ", ".join(f"{name} {length}" for name, length in lengths.items())
        raise ValueError(f"the arrays differ in length: {said}")
    masked = columns["time_s"].masked | columns["angle_rad"].masked | columns["torque_nm"].masked
    count = int(masked.sum())
    notes = (f"{count} masked sample{' is' if count == 1 else 's are'} left out",) if count else ()
    for name, column in columns.items():
        bad = np.flatnonzero(~np.isfinite(column.values) & ~masked)
        if len(bad):
            raise ValueError(
                f"{name}[{bad[0]}] is {column.values[bad[0]]}; leave such samples out or mask them, gaps are seen by "
                "their time"
            )
    time, angle, torque = (column.values[~masked] if count else column.values for column in columns.values())
    if len(time) < 2:
        raise InsufficientSamplesError(
            f"{len(time)} sample{'' if len(time) == 1 else 's'}; a cycle takes minutes"
        )
    angle, turned = _unwrapped(angle)
    return Arrays(time, angle, torque, (*notes, *turned), columns["time_s"].origin_ns)


def _times(given: npt.ArrayLike) -> Column:
    """Times in seconds; dates count from the first of them that is not masked."""
    values, masked = _plain("time_s", _without_zone(given))
    if values.dtype.kind == "O" and all(isinstance(each, datetime.date) for each in values):
        values = _dates(values)
    if values.dtype.kind not in "mM":
        column = _column("time_s", given)
        _check_digits(values, column.values)
        return column
    missing = np.isnat(values) & ~masked
    if missing.any():
        raise ValueError(f"time_s[{int(missing.argmax())}] is no time; leave such samples out or mask them")
    good = np.flatnonzero(~masked)
    if not len(good):
        return Column(np.zeros(len(values)), masked)
    if values.dtype.kind == "m":
        return Column(values.astype("timedelta64[ns]").astype(np.int64) / NS_PER_S, masked)
    since = (values - values[good[0]]).astype("timedelta64[ns]").astype(np.int64)
    origin = int(values[good[0]].astype("datetime64[ns]").astype(np.int64))
    return Column(since / NS_PER_S, masked, origin)


def _without_zone(given: npt.ArrayLike) -> npt.ArrayLike:
    """Times of pandas with a time zone as UTC: numpy alone would make an object of each."""
    if getattr(getattr(given, "dtype", None), "tz", None) is None:
        return given
    return np.asarray(given, "datetime64[ns]")


def _dates(values: npt.NDArray[np.generic]) -> npt.NDArray[np.datetime64]:
    """Dates of Python or pandas, one by one, as UTC; those without a zone as they are.

    Raises:
        ValueError: some have a zone and others have none.
    """
    zoned = {getattr(each, "tzinfo", None) is not None for each in values}
    if len(zoned) > 1:
        raise ValueError("time_s has dates with and without a time zone; give one kind")
    if zoned == {True}:
        values = np.array([each.astimezone(datetime.UTC).replace(tzinfo=None) for each in values], object)
    return values.astype("datetime64[ns]")


def _check_digits(given: npt.NDArray[np.generic], time: Float64s) -> None:
    """Refuse times of too few digits to tell samples apart.

    Raises:
        ValueError: names the type.
    """
    if given.dtype.kind != "f" or given.dtype.itemsize >= 8 or len(time) < 3 or not np.isfinite(time).all():
        return
    largest = float(np.abs(time).max())
    digits = float(np.spacing(given.dtype.type(largest)))
    period = float(time[-1] - time[0]) / (len(time) - 1)
    if digits > COARSE_SHARE * abs(period):
        raise ValueError(
            f"time_s is {given.dtype}, which steps by {number(digits, 2)} s at {number(largest)} s; give float64"
        )


def _plain(name: str, given: npt.ArrayLike) -> tuple[npt.NDArray[np.generic], Bools]:
    """One array of one dimension and which of its values are masked.

    Raises:
        ValueError: no array of one dimension.
    """
    try:
        values = np.ma.getdata(given) if np.ma.isMaskedArray(given) else np.asarray(given)
    except (
        TypeError,
        ValueError,
    ) as error:  # a list of lists of unlike lengths, or what pretends to be an array
        raise ValueError(f"{name} is no array of one dimension: {_first_line(error)}") from error
    if values.ndim != 1:
        what = type(given).__name__
        if values.ndim == 0:
            raise ValueError(f"{name} is one {what}; give an array of one dimension")
        raise ValueError(f"{name} has {values.ndim} dimensions; it must have one")
    hidden = np.ma.getmaskarray(given) if np.ma.isMaskedArray(given) else np.zeros(len(values), np.bool_)
    return values, np.asarray(hidden, np.bool_)


def _column(name: str, given: npt.ArrayLike) -> Column:
    """One array of numbers.

    Raises:
        ValueError: something else.
    """
    values, masked = _plain(name, given)
    if values.dtype.kind == "O":
        values = _reals(name, values, masked)
    if values.dtype.kind not in "iuf":
        raise ValueError(f"{name} has values of type {values.dtype}; give real numbers")
    return Column(values.astype(np.float64), masked)


def _reals(name: str, values: npt.NDArray[np.generic], masked: Bools) -> Float64s:
    """Objects that are real numbers, as numbers; masked ones are not looked at."""
    items: Sequence[object] = values.tolist()
    for at, (item, hidden) in enumerate(zip(items, masked.tolist(), strict=True)):
        if not hidden and (type(item) is bool or not isinstance(item, Real)):
            raise ValueError(f"{name}[{at}] is of type {type(item).__name__}; give real numbers")
    return np.array([0.0 if hidden else float(item) for item, hidden in zip(items, masked, strict=True)])  # type: ignore[arg-type]  # every one is a Real


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")


def _unwrapped(angle: Float64s) -> tuple[Float64s, tuple[str, ...]]:
    """The angle without falls of a turn, and how many there were."""
    steps = np.abs(np.diff(angle))
    for unit, turn in WRAPS.items():
        # Within a turn of that unit, and every large step a whole one: no shaft does that, a wrapped angle does.
        jumps = steps[steps > TURN_STEP * turn]
        if not len(jumps) or np.ptp(angle) > turn * WITHIN or (np.abs(jumps - turn) > TURN_NEAR * turn).any():
            continue
        times = f"{len(jumps)} time{'' if len(jumps) == 1 else 's'}"
        if unit == RADIANS:
            return np.unwrap(angle), (f"angle_rad falls back by a turn {times}: it was unwrapped",)
        raise ValueError(
            f"angle_rad lies from {number(float(angle.min()), 4)} to {number(float(angle.max()), 4)} and falls back by "
            f"{number(turn)} {times}, which looks like {unit}: give radians, {IN_RADIANS[unit]}"
        )
    return angle, ()
