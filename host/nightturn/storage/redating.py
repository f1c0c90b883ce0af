"""Times of a run that was recorded under a wrong wall clock, put right on reading; nothing that was recorded is rewritten."""

import numpy as np
import pandas as pd
import pyarrow as pa

from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import fixed
from nightturn.model.tiles import Int64s
from nightturn.storage.marks import Mark

_EVER_NS = 2**63 - 1


def recorded_at(corrected_ns: int, by_ns: int) -> int:
    """The recorded time of a corrected one; the ends of time stay where they are."""
    return max(-_EVER_NS, min(_EVER_NS, corrected_ns - by_ns))


def corrected(frame: pd.DataFrame, schema: pa.Schema, by_ns: int | Int64s) -> pd.DataFrame:
    """A frame whose columns of times are put right, by as much everywhere or row by row."""
    for field in schema:
        if np.any(by_ns) and pa.types.is_timestamp(field.type) and field.name in frame:
            frame[field.name] = frame[field.name] + pd.to_timedelta(by_ns, unit="ns")
    return frame


def redated_text(mark: Mark) -> str:
    """What is said beside times that are corrected."""
    if not mark.by_ns:
        return f"the recorded times stand, by {mark.by}: {mark.reason}"
    return f"times corrected by {fixed(mark.by_ns / NS_PER_S, 3, signed=True)} s by {mark.by}: {mark.reason}"
