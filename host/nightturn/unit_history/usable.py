"""Which stored cycles and values the course of a figure may rest on, and how many may not, with why: nothing is left out in silence."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.turns import Bools
from nightturn.model.figures import OK
from nightturn.trend.following import DIRECTIONS


def sound(rows: pd.DataFrame, calibrations: Mapping[int, str]) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The cycles of several nights (`night`, `ts`, the columns of `life.COLUMNS`) that can be what they say, and sentences on the rest.

    `calibrations` are those of the nights by number.
    """
    other = rows["calibration_id"].fillna("").astype(str)
    own = rows["night"].map(calibrations)
    wrong = {
        "twice in the store": rows.duplicated(["night", "cycle_no"]).to_numpy(),
        "end before they begin": (rows["ts_end"] < rows["ts_start"]).to_numpy(),
        "turned no way": ~rows["direction"].isin(DIRECTIONS).to_numpy() & (rows["status"] == OK).to_numpy(),
        "of another calibration than their run": ((other != "") & (other != own)).to_numpy(),
    }
    left = np.zeros(len(rows), np.bool_)
    said = []
    for why, those in wrong.items():
        if count := int((those & ~left).sum()):
            said.append(f"{counted(count, 'cycle')} {why}")
        left |= those
    return rows[~left], tuple(said)


def comparable(rows: pd.DataFrame, figure: str) -> tuple[Bools, int | None, tuple[str, ...]]:
    """Which complete cycles have a value of a figure that compares with the newest one's, the method of that, and sentences on the rest.

    A value that is not `ok` was said when it was made and is not counted here. Without a method anywhere all are taken for alike.
    """
    good = ((rows[f"{figure}_status"] == OK) & rows[figure].notna()).to_numpy()
    value, u = (rows[name].astype(float).to_numpy() for name in (figure, f"{figure}_u"))
    number = good & np.isfinite(value) & ~(u < 0)
    said, title = [], FIGURES[figure].followed
    if count := int((good & ~number).sum()):
        said.append(f"{counted(count, 'value')} of {title}: no number, or a ± that is none")
    method = rows[f"{figure}_method"].astype(float).to_numpy()
    known = number & np.isfinite(method)
    if not known.any():
        return number, None, tuple(said)
    newest = int(method[np.flatnonzero(known)[-1]])
    same = number & (method == newest)
    if count := int((number & ~same).sum()):
        said.append(f"{counted(count, 'value')} of {title}: by another method than {newest}")
    return same, newest, tuple(said)


def counted(count: int, noun: str) -> str:
    """`1 cycle`, `12 cycles`."""
    return f"{count} {noun}{'' if count == 1 else 's'}"
