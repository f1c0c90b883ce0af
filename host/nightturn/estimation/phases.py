"""What the shaft is doing, from the encoder alone: cells of a grid, standing or moving, on a commanded speed or off it.

Everything here is integer arithmetic on a grid aligned to the sample index, so that the answer never depends on how
the samples were cut into tiles.
"""

import msgspec
import numpy as np

from nightturn.model.phases import SOAK, SPEED_TOLERANCE_PARTS, WARM_UP
from nightturn.model.tiles import Int64s

SLOW_SPEED = 1
HOLD_SPEED = 2
EXERCISE_SPEED = 4
WARM_UP_SPEED = 8
SOAK_SPEED = 16
BESIDE_SPEEDS = {WARM_UP_SPEED: WARM_UP, SOAK_SPEED: SOAK}
"""The speeds of strokes that no cycle counts as its own, with their phases."""
MOVING = 32
"""What a moving cell's code is beyond the speeds it is on."""

CONFIRM_CELLS = 4
"""Consecutive cells on speed before a leg opens: a ramp passes through a commanded speed faster than that."""
FEW_CELLS = 12
"""Up to this many cells plain integers are faster than arrays."""
LONG_GAP_CELLS = 20
"""A gap longer than this (about 1 s) whose mean speed is off the commanded one ends the leg: it may hide a stop."""


class ScanSettings(msgspec.Struct, frozen=True):
    """What the scan must know of rig, plan and calibration, all in integers.

    Attributes:
        cell_samples: grid cell, about 50 ms; cells are aligned to multiples of it in sample index.
        counts_per_rev: encoder counts in a mechanical revolution.
        slow_cell_counts, hold_cell_counts, exercise_cell_counts: commanded travel in a cell; 0 = phase absent.
        stand_cell_counts: less travel than this in a cell is standing (0.2 of the slowest speed).
        exclusion_counts: travel after a start or reversal that is left out (presliding, run-up).
        slow_legs: slow passes in a cycle (3: F-B-F or B-F-B).
        strokes: strokes of the exercise.
        zero_raw: ADC counts at zero torque.
        hold_threshold_raw: mean torque further than this from zero is a hold; 0 = no hold planned.
        rail_low, rail_high: counts at which the ADC is railed.
        jump_raw: a first difference larger than this is a jump.
        warm_up_cell_counts, soak_cell_counts: commanded travel in a cell of strokes beside the cycles; 0 = phase absent.
        parks: whether the plan waits for a person between cycles, for hours perhaps.
        strokes_loaded: whether the actuator holds a torque in the exercise, so that its starts are no breakaway.
    """

    cell_samples: int
    counts_per_rev: int
    slow_cell_counts: int
    hold_cell_counts: int
    exercise_cell_counts: int
    stand_cell_counts: int
    exclusion_counts: int
    slow_legs: int
    strokes: int
    zero_raw: int
    hold_threshold_raw: int
    rail_low: int
    rail_high: int
    jump_raw: int
    warm_up_cell_counts: int = 0
    soak_cell_counts: int = 0
    strokes_loaded: bool = False
    parks: bool = False

    @property
    def speeds(self) -> tuple[tuple[int, int], ...]:
        """The bit of each commanded speed and its travel in a cell, without phases that are absent."""
        every = (
            (SLOW_SPEED, self.slow_cell_counts),
            (HOLD_SPEED, self.hold_cell_counts),
            (EXERCISE_SPEED, self.exercise_cell_counts),
            (WARM_UP_SPEED, self.warm_up_cell_counts),
            (SOAK_SPEED, self.soak_cell_counts),
        )
        return tuple(each for each in every if each[1])

    @property
    def slow_planned(self) -> bool:
        """Whether a cycle has slow passes."""
        return self.slow_cell_counts > 0 and self.slow_legs > 0

    @property
    def hold_planned(self) -> bool:
        """Whether a cycle has a hold."""
        return self.hold_cell_counts > 0 and self.hold_threshold_raw > 0

    @property
    def strokes_planned(self) -> int:
        """How many strokes end a cycle."""
        return self.strokes if self.exercise_cell_counts > 0 else 0


class PhaseChange(msgspec.Struct, frozen=True):
    """The fixture entered a phase: `stand`, `slow_turn`, `hold`, `exercise`, `warm_up` or `soak`, seen at this sample index."""

    phase: str
    index: int


def cell_code(travel: int, cells: int, settings: ScanSettings) -> int:
    """The code of one stretch of `cells` grid cells: 0 standing, else sign times (`MOVING` + speeds it is on).

    `travel` is in encoder counts over the stretch. The speeds are a bit mask of `SLOW_SPEED`, `HOLD_SPEED`, `EXERCISE_SPEED`,
    `WARM_UP_SPEED` and `SOAK_SPEED`; none set means moving off every commanded speed.
    """
    size = abs(travel)
    if size < settings.stand_cell_counts * cells:
        return 0
    code = MOVING
    for bit, commanded in settings.speeds:
        target = commanded * cells
        if abs(size - target) * SPEED_TOLERANCE_PARTS <= target + SPEED_TOLERANCE_PARTS:
            code |= bit
    return code if travel > 0 else -code


def cell_codes(travel: Int64s, settings: ScanSettings) -> Int64s:
    """`cell_code` of many single cells at once; shapes: (m,) -> (m,)."""
    if len(travel) <= FEW_CELLS:
        return np.array([cell_code(d, 1, settings) for d in travel.tolist()], np.int64)
    size = np.abs(travel)
    code = np.full(size.shape, MOVING, np.int64)
    for bit, target in settings.speeds:
        off = np.abs(size - target) * SPEED_TOLERANCE_PARTS
        code |= bit * (off <= target + SPEED_TOLERANCE_PARTS)
    code *= np.sign(travel)
    code[size < settings.stand_cell_counts] = 0
    return code


def speeds_of(code: int) -> int:
    """The bit mask of commanded speeds that a cell's code carries."""
    return abs(code) & (MOVING - 1)


def phase_beside(speeds: int) -> str:
    """The phase of strokes beside the cycles that these speeds say; empty where they may be a cycle's."""
    return next((phase for bit, phase in BESIDE_SPEEDS.items() if speeds & bit), "")
