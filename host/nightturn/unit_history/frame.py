"""The course of a unit's figures as a frame, for people's own analyses."""

from pathlib import Path

import numpy as np
import pandas as pd

from nightturn.unit_history.life import life_of

COLUMNS = (
    "figure", "direction", "ts", "strokes", "value", "u", "degc", "stretch", "run", "fixture", "cycle_no",
)  # fmt: skip


def history(root: str | Path, *, unit: str) -> pd.DataFrame:
    """One row for each figure of each complete cycle of a unit over all its runs, fixtures and rigs, where the figure is `ok`.

    Columns: figure; direction (+1 or -1); ts (start of the cycle, UTC); strokes (recorded in the unit's life before it); value and
    u (standard uncertainty of the cycle's own scatter), N·m; degc (temperature nearest to the bearing, NaN where none was read);
    stretch (known steps before it: remount, rig, calibration, plan, settings); run, fixture, cycle_no. What the steps were is in
    `attrs["steps"]`, nights without figures in `attrs["unknown"]`.

    Raises:
        RunNotFoundError: no such root, or no run of that unit.
    """
    found = life_of(root, unit)
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
