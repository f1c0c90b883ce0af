"""What the shaft is doing, from the encoder alone: cells of a grid, standing or moving, on a commanded speed or off it.

Everything here is integer arithmetic on a grid aligned to the sample index, so that the answer never depends on how
the samples were cut into tiles.
"""

import msgspec
import numpy as np

from nightturn.model.phases import SPEED_TOLERANCE_PARTS
from nightturn.model.tiles import Int64s

SLOW_SPEED = 1
HOLD_SPEED = 2
EXERCISE_SPEED = 4

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
    """The fixture entered a phase: `stand`, `slow_turn`, `hold` or `exercise`, seen at this sample index."""

    phase: str
    index: int


def cell_code(travel: int, cells: int, settings: ScanSettings) -> int:
    """The code of one stretch of `cells` grid cells: 0 standing, else sign times (8 + speeds it is on).

    `travel` is in encoder counts over the stretch. The speeds are a bit mask of `SLOW_SPEED`, `HOLD_SPEED` and
    `EXERCISE_SPEED`; none set means moving off every commanded speed.
    """
    size = abs(travel)
    if size < settings.stand_cell_counts * cells:
        return 0
    code = 8
    for bit, commanded in (
        (SLOW_SPEED, settings.slow_cell_counts),
        (HOLD_SPEED, settings.hold_cell_counts),
        (EXERCISE_SPEED, settings.exercise_cell_counts),
    ):
        target = commanded * cells
        if target and abs(size - target) * SPEED_TOLERANCE_PARTS <= target + SPEED_TOLERANCE_PARTS:
            code |= bit
    return code if travel > 0 else -code


def cell_codes(travel: Int64s, settings: ScanSettings) -> Int64s:
    """`cell_code` of many single cells at once; shapes: (m,) -> (m,)."""
    if len(travel) <= FEW_CELLS:
        return np.array([cell_code(d, 1, settings) for d in travel.tolist()], np.int64)
    size = np.abs(travel)
    code = np.full(size.shape, 8, np.int64)
    for bit, target in (
        (SLOW_SPEED, settings.slow_cell_counts),
        (HOLD_SPEED, settings.hold_cell_counts),
        (EXERCISE_SPEED, settings.exercise_cell_counts),
    ):
        if target:
            off = np.abs(size - target) * SPEED_TOLERANCE_PARTS
            code |= bit * (off <= target + SPEED_TOLERANCE_PARTS)
    code *= np.sign(travel)
    code[size < settings.stand_cell_counts] = 0
    return code


def speeds_of(code: int) -> int:
    """The bit mask of commanded speeds that a cell's code carries."""
    return abs(code) & 7
