"""Whether a unit's temperature stood still when a night ended."""

import numpy as np

from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.settled import LIMIT_K, NS_PER_H, WINDOW_H
from nightturn.trend.temperature import Equilibrium, equilibrium
from nightturn.unit_history.nights import Night, temperatures_degc


def standing_still(night: Night) -> Equilibrium | None:
    """Whether the temperature stood still over the last hour of a night; None where too little was read to say so."""
    degc = temperatures_degc(night.cycles)
    if not degc.size or not np.isfinite(degc).all():
        return None
    ts = night.cycles["ts_start"].astype("int64").to_numpy()
    late = ts >= ts[-1] - WINDOW_H * 1.5 * NS_PER_H
    hours = (ts[late] - ts[late][0]) / NS_PER_H
    try:
        return equilibrium(hours, degc[late], limit_k_per_h=LIMIT_K / WINDOW_H, window_h=WINDOW_H)
    except UnusableSeriesError:  # a pause, so that nobody knows what it did meanwhile
        return None
