"""What plan and scan must agree on: the words of the phases, the grid, the tolerances and the pauses.

The planner commands moves; the scan finds them again in the samples alone. Each of these numbers is used by both.
"""

STAND = "stand"
SLOW_TURN = "slow_turn"
HOLD = "hold"
EXERCISE = "exercise"
RETURN = "return"
WARM_UP = "warm_up"
SOAK = "soak"
PARK = "park"
FIRST_MOVE = "first_move"

CONDITIONING = (WARM_UP, SOAK)
"""Strokes at a speed of their own, which no cycle counts as its own."""
BETWEEN_CYCLES = frozenset({RETURN, *CONDITIONING, PARK})
"""Moves that are no part of a cycle."""

GRID_CELLS_PER_S = 20
"""Cells in which travel is compared with what was commanded."""
GRID_S = 1 / GRID_CELLS_PER_S
"""Length of a cell, s."""
SPEED_TOLERANCE_PARTS = 20
"""A cell is on speed within one part in 20, 5 %, plus one encoder count of rounding."""
SPEED_TOLERANCE = 1 / SPEED_TOLERANCE_PARTS
"""The same as a fraction; a verdict holds for figures measured this near the speed that a limit names."""
EXCLUSION_DEG = 2.0
"""Travel of each pass after the reversal that is left out: presliding and backlash."""
STAND_SPARE_S = 4
"""A standstill this much longer than the plan's dwell means that the plan was stopped: two commands with all retries."""
WINDOW_S = 2
"""How often the scan looks for such a standstill, at multiples of it in sample index."""
REST_SPARE_S = STAND_SPARE_S + WINDOW_S + 0.5
"""Before a stopped plan begins afresh the shaft stands this much longer than the dwell, so that the scan has seen it."""

SLOW_WAYS = (1, -1, 1)
"""Senses of the slow passes, by the one in which the cycle begins: the middle pass lies half-way between the outer two in
time, so that a linear drift of the zero cancels out of the step between the directions."""


def cell_samples(rate_hz: int) -> int:
    """Samples in a cell of the grid."""
    return max(1, rate_hz // GRID_CELLS_PER_S)


def cell_counts(speed_rpm: float, counts_per_rev: int) -> int:
    """Travel in a cell at a commanded speed, encoder counts."""
    return round(speed_rpm / 60 * counts_per_rev / GRID_CELLS_PER_S)


def exclusion_counts(counts_per_rev: int) -> int:
    """What is left out after a reversal, encoder counts."""
    return round(EXCLUSION_DEG / 360 * counts_per_rev)
