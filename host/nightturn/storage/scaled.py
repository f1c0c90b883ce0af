"""Stored counts as a frame of N·m and radian."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa

from nightturn.calibration.angle import AngleScale
from nightturn.calibration.torque import TorqueScale
from nightturn.storage import chunk

DERIVED = {"torque_nm": ("torque_raw", "N·m"), "angle_rad": ("encoder", "rad")}
"""Columns that are worked out: from which stored one, and their unit."""


def scaled(
    table: pa.Table,
    wanted: Sequence[str],
    torque: Sequence[tuple[int, TorqueScale]],
    angle: AngleScale,
) -> pd.DataFrame:
    """The rows of one chunk; `torque` are the scales of the chunks of a file, each with the time at which it begins, UTC ns."""
    columns = {}
    for name in wanted:
        values = table.column(DERIVED[name][0] if name in DERIVED else name).to_numpy()
        if name == "torque_nm" and len(
            values
        ):  # the row group is of one chunk: that which began last before it
            at = table.column("ts").cast(pa.int64())[0].as_py()
            values = [scale for begins, scale in torque if begins <= at][-1].to_nm(values)
        elif name == "angle_rad":
            values = angle.to_rad(values)
        columns[name] = values
    return pd.DataFrame(columns, index=pd.DatetimeIndex(table.column("ts").to_pandas(), name="ts"))


def between(table: pa.Table, start_ns: int, stop_ns: int) -> pa.Table:
    """The rows with start <= time < stop, UTC ns."""
    ts = table.column("ts").cast(pa.int64()).to_numpy()
    first, last = np.searchsorted(ts, [start_ns, stop_ns])
    return table.slice(int(first), int(last - first))


def empty(wanted: Sequence[str]) -> pd.DataFrame:
    """A frame of these columns without a row."""
    kinds = {
        name: np.dtype("f8") if name in DERIVED else chunk.SCHEMA.field(name).type.to_pandas_dtype()
        for name in wanted
    }
    columns = {name: np.zeros(0, kind) for name, kind in kinds.items()}
    return pd.DataFrame(columns, index=pd.DatetimeIndex([], dtype="datetime64[ns, UTC]", name="ts"))
