"""The step of a shunt check: from windows of samples with the relay off, on and off again, and what it should be.

A shunt check proves electronics and wiring, not the spring.
"""

import math
from collections.abc import Sequence

import msgspec

from nightturn.calibration.bridge import MV_PER_V, shunt_step_mv_per_v
from nightturn.calibration.records import CalibrationRecord
from nightturn.calibration.torque import TorqueScale
from nightturn.settings.rig import Shunt


class Window(msgspec.Struct, frozen=True):
    """Means of a stretch of samples that was cut into cells of equal length.

    Attributes:
        centre: sample number of its middle.
        mean: ADC counts.
        variance: of the cells' means, counts².
        cells: how many.
    """

    centre: float
    mean: float
    variance: float
    cells: int


class Step(msgspec.Struct, frozen=True):
    """What the relay adds, ADC counts, with its standard uncertainty and degrees of freedom."""

    counts: float
    u_counts: float
    nu: float


def window_of(index: int, cell_samples: int, sums: Sequence[int]) -> Window:
    """The window that begins at a sample number, from the sums of its cells, at least two."""
    samples, cells = cell_samples * len(sums), len(sums)
    mean = math.fsum(sums) / samples
    squares = math.fsum((each / cell_samples - mean) ** 2 for each in sums)
    return Window(index + (samples - 1) / 2, mean, squares / (cells - 1), cells)


def step_of(before: Window, on: Window, after: Window) -> Step:
    """The mean with the relay on, less the straight line through the means without it, so that linear drift cancels.

    The noise of a bridge is not white: its slow part does not average out over a window. So the scatter of the cells
    stands for that of the windows and is not divided by their number, which makes the uncertainty too large rather than
    too small.
    """
    # Relays take their time: the middle window need not lie half-way between the outer two, and a drift only cancels
    # when each of these counts by its distance.
    share = (on.centre - before.centre) / (after.centre - before.centre)
    counts = on.mean - ((1.0 - share) * before.mean + share * after.mean)
    nu = before.cells + on.cells + after.cells - 3  # each window's mean takes one
    pooled = math.fsum(each.variance * (each.cells - 1) for each in (before, on, after)) / nu
    return Step(counts, math.sqrt(pooled * (1.0 + (1.0 - share) ** 2 + share**2)), float(nu))


def expected_mv_per_v(shunt: Shunt) -> float | None:
    """The step by the bridge equation, mV/V; None when the rig names no resistor."""
    return None if shunt.resistance_ohm is None else shunt_step_mv_per_v(shunt.resistance_ohm, shunt.arm_ohm)


class Expectation(msgspec.Struct, frozen=True):
    """What the step should read as on one channel.

    Attributes:
        unit: of the device's sheet, "V" or "mV/V".
        unit_per_count: the same.
        nm: as torque, N·m without sign; None when nothing can be expected.
        why: why it cannot.
    """

    unit: str
    unit_per_count: float
    nm: float | None
    why: str = ""


def expectation(
    shunt: Shunt, record: CalibrationRecord, scale: TorqueScale, unit: str, unit_per_count: float
) -> Expectation:
    """What a rig's shunt should read as, by its certificate or by the bridge equation.

    Args:
        shunt: the rig's table.
        record: the calibration in force.
        scale: what follows from it for this device.
        unit: of the device's sheet, "V" or "mV/V".
        unit_per_count: the same.
    """
    if shunt.step_nm is not None:
        return Expectation(unit, unit_per_count, shunt.step_nm)
    step = expected_mv_per_v(shunt)
    if step is None:
        why = "the rig gives neither resistance_ohm nor step_nm in [fixture.shunt]"
        return Expectation(unit, unit_per_count, None, why)
    if unit == "V":
        if record.excitation_v is None:
            why = (
                "the device's sheet is in V and the calibration gives no excitation_v, so the expected step of a resistor "
                "is not known; give step_nm in [fixture.shunt], as on the certificate"
            )
            return Expectation(unit, unit_per_count, None, why)
        step *= record.excitation_v / MV_PER_V
    return Expectation(unit, unit_per_count, step * abs(scale.lsb_nm / unit_per_count))
