"""Rounds: what every station of a loop does at the same moments, so that the disk can take their syncs as one."""

EARLY_PART = 0.1  # of a period; a timer may fire a little early


def next_round(now_s: float, period_s: float) -> float:
    """The next multiple of the period on a loop's clock, unless it is hardly any time away, seconds."""
    return ((now_s + period_s * EARLY_PART) // period_s + 1) * period_s
