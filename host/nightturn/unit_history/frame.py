"""The course of a unit's figures as a frame, for people's own analyses."""

from pathlib import Path

import numpy as np
import pandas as pd

from nightturn.trend.order_families import STROKES
from nightturn.unit_history.findings import findings_frame
from nightturn.unit_history.life import Life, life_of
from nightturn.unit_history.rolling import followed_of

COLUMNS = (
    "figure", "direction", "ts", "strokes", "value", "u", "degc", "stretch", "run", "fixture", "cycle_no",
)  # fmt: skip
ORDER_COLUMNS = (
    "figure", "title", "direction", "ts", "strokes", "value", "u", "cycles", "indicative",
)  # fmt: skip


def history(root: str | Path, *, unit: str, orders: bool = False, findings: bool = False) -> pd.DataFrame:
    """One row for each figure of each complete cycle of a unit over all its runs, fixtures and rigs, where the figure is `ok`.

    Columns: figure; direction (+1 or -1); ts (start of the cycle, UTC); strokes (recorded in the unit's life before it); value and
    u (standard uncertainty of the cycle's own scatter), N·m; degc (temperature nearest to the bearing, NaN where none was read);
    stretch (known steps before it: remount, rig, calibration, plan, settings); run, fixture, cycle_no. What the steps were is in
    `attrs["steps"]`, nights without figures in `attrs["unknown"]`.

    With `orders` the families of orders and the strokes instead, since the last known step: a row for each block of cycles with its mean. Columns: figure;
    title; direction; ts and strokes as above, of its first cycle and in the mean; value and u, N·m; cycles in it; indicative (of strokes).

    With `findings` what tear-downs of the unit found, by the logbook: a row for each cause. Columns: unit; run behind which it was torn down; ts (of the
    finding); cause, by its key; predicted, found; shown (whether a tear-down shows such a cause at all); known (whether the predictions of then are on record); by and text of the finding.

    Raises:
        RunNotFoundError: no such root, or no run of that unit.
    """
    found = life_of(root, unit)
    if findings:
        return findings_frame(root, unit)
    if orders:
        return _orders(root, found)
    runs = np.array([night.run for night in found.nights], object)
    fixtures = np.array([night.place.fixture for night in found.nights], object)
    parts = [
        pd.DataFrame(
            {
                "figure": each.figure,
                "direction": each.direction,
                "ts": pd.to_datetime(each.ts, utc=True),
                "strokes": each.strokes.astype(np.int64),
                "value": each.value,
                "u": each.u,
                "degc": each.degc,
                "stretch": each.stretch,
                "run": runs[each.night],
                "fixture": fixtures[each.night],
                "cycle_no": each.cycle_no,
            }
        )
        for each in found.series
    ]
    frame = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(COLUMNS))
    frame.attrs["steps"] = [(step.ts, step.words) for step in found.steps]
    frame.attrs["unknown"] = list(found.unknown)
    return frame


def _orders(root: str | Path, found: Life) -> pd.DataFrame:
    known = followed_of(root, found)
    rows = [
        (each.figure, known.titles[each.figure], each.direction, block.ts, block.strokes, block.value, block.u, block.count,
         each.figure in STROKES)
        for each in known.rolling.tracks
        for block in each.blocks
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(ORDER_COLUMNS))
    frame["ts"] = pd.to_datetime(frame["ts"], utc=True)
    frame.attrs["unknown"] = [*found.unknown, *known.unknown]
    return frame
