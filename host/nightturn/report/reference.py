"""The reference envelope of a variant: within what its accepted units lie, by figure, by order and over the turn.

Nothing of it is stored: figures come from the verdicts of the catalogue, orders and turns from the newest cycles of each unit.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from nightturn.errors import StorageError
from nightturn.estimation.curves import BACK, FORWARD
from nightturn.estimation.envelope import ORDER_SHARE, Envelope, envelope
from nightturn.estimation.tolerance import SHARE
from nightturn.fixture.stream import RunSettings
from nightturn.model.phases import HOLD
from nightturn.model.quantities import quantity
from nightturn.model.rows import CURVES
from nightturn.model.tiles import Float64s
from nightturn.model.verdicts import MAX, MIN
from nightturn.pictures.accepted import Accepted
from nightturn.pictures.turn import smoothed
from nightturn.report.batch import FigureOfBatch, batch_of, figures_of
from nightturn.report.marked import NO_MARK, from_mark, from_zero, mark_of
from nightturn.settings.rig import CyclePlan
from nightturn.settings.variant import Variant
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary

UNITS_MAX = 60
"""The newest of the accepted units, whose curves are read."""
ANGLE_SHARE = ORDER_SHARE
"""Of the units' half gaps at one angle; of a hundred places 5 % would lie outside a band of 95 % by chance."""
CYCLES_OF = 10
"""The newest cycles of a unit, whose mean stands for it: it is warm, and both directions of the hold are among them."""
NO_UNIT = "no other unit is accepted"
COLUMNS = ("cycle_no", "leg", "torque_nm", "amplitude_nm")


@dataclass(frozen=True, slots=True)
class Reference:
    """What accepted units of the variant say.

    Attributes:
        figures: words by figure and direction of its limit.
        orders: of the hold, peak amplitudes of orders 1, 2, ..., N·m; None where no unit has any.
        friction: half the gap of the turn without teeth, N·m: of all angles the smallest and the largest, two values, alike at every angle.
        turn: the same angle by angle from the rotor's mark on (points,), of the units whose card names it; None without such a unit.
    """

    figures: Mapping[tuple[str, str], str]
    orders: Envelope | None = None
    friction: Envelope | None = None
    turn: Envelope | None = None


def reference_of(
    root: Path, accepted: Sequence[RunSummary], plan: CyclePlan, cogging_order: int
) -> Reference:
    """The envelope of accepted units.

    Args:
        root: the data root.
        accepted: the newest accepted run of each unit, the newest first.
        plan: that of the unit which is held against them; a unit under other speeds or torques has no orders and turns to compare.
        cogging_order: teeth a turn; orders from half of it on are left out of the turn.
    """
    shapes: list[_Shape] = []
    for each in accepted[:UNITS_MAX]:
        try:
            shape = _shape(Run(root, each.fixture, each.run), plan, cogging_order)
        except (
            StorageError
        ):  # a unit whose files are lost or damaged is no part of the envelope; `verify` names it
            continue
        if shape is not None:
            shapes.append(shape)
    return Reference(
        {(each.figure, MAX if each.upper else MIN): words_of(each) for each in figures_of(accepted)},
        envelope(_alike([each.orders for each in shapes]), ORDER_SHARE, by_ratio=True),
        envelope(
            _alike([np.array([each.half_gap.min(), each.half_gap.max()]) for each in shapes]),
            SHARE,
            by_ratio=False,
        ),
        envelope(
            _alike([from_mark(each.half_gap, each.mark_deg) for each in shapes if each.mark_deg is not None]),
            ANGLE_SHARE,
            by_ratio=False,
        ),
    )


def reference_of_batch(root: Path, runs: Sequence[RunSummary], variant: str) -> Reference:
    """The envelope of all accepted units of a variant, under the plan of the newest of them.

    Args:
        root: the data root.
        runs: all that there are, the newest first.
        variant: its name.
    """
    units = set(batch_of(runs, variant).accepted)
    newest: dict[str, RunSummary] = {}
    for each in runs:
        if each.variant == variant and each.unit in units and each.night_verdict is not None:
            newest.setdefault(each.unit, each)
    accepted = list(newest.values())
    for each in accepted:
        settings = _settings(Run(root, each.fixture, each.run))
        if settings is not None:
            return reference_of(root, accepted, settings.fixture.plan, cogging_order(settings.variant))
    return Reference({})


def friction_words(found: Envelope) -> str:
    """`88.9 mN·m to 89.2 mN·m, what 6 accepted units …`: within what half the gap lies at any angle of the turn."""
    low, high = (quantity(max(float(each), 0.0), "N·m", digits=3) for each in (found.low[0], found.high[1]))
    band = accepted_band(found)
    assert band is not None
    return f"{low} to {high} at any angle of the turn without teeth, {band.words}"


def envelope_facts(reference: Reference) -> dict[str, object]:
    """The envelopes for machines, N·m; null where there is none."""
    return {
        name: None
        if found is None
        else {
            "units": found.units,
            "tolerance": found.tolerance,
            "low": found.low.tolist(),
            "high": found.high.tolist(),
        }
        for name, found in (
            ("order_nm", reference.orders),
            ("half_gap_nm", reference.friction),
            ("half_gap_from_mark_nm", reference.turn),
        )
    }


def turn_band(found: Reference, settings: RunSettings, points: int) -> Accepted | None:
    """Half the gap of accepted units over the turn of a run, from its encoder's zero on (points,); None without one.

    Angle by angle where the run's card and theirs name the rotor's mark; else the smallest and the largest of any angle at every angle,
    which is said.
    """
    mark = mark_of(settings)
    if mark is not None and found.turn is not None and len(found.turn.low) == points:
        band = accepted_band(found.turn)
        assert band is not None
        low, high = (from_zero(each, mark) for each in (band.low_nm, band.high_nm))
        return Accepted(
            np.maximum(low, 0.0), high, f"{band.words}, angle by angle from the mark of each rotor"
        )
    band = accepted_band(found.friction)
    if band is None:
        return None
    least, most = max(float(band.low_nm[0]), 0.0), float(band.high_nm[1])
    why = f"the same at every angle, because no mark ties the rotors' angles to each other: {NO_MARK}"
    return Accepted(np.full(points, least), np.full(points, most), f"{band.words}, {why}")


def accepted_band(found: Envelope | None) -> Accepted | None:
    """An envelope as pictures show it."""
    if found is None:
        return None
    units = f"{found.units} accepted unit{'' if found.units == 1 else 's'}"
    words = (
        f"what is expected of units like {units}"
        if found.tolerance
        else f"what {units} showed, too few to expect it of others"
    )
    return Accepted(found.low, found.high, words)


def cogging_order(variant: Variant) -> int:
    """Teeth of a turn: how often poles and slots meet alike."""
    return math.lcm(2 * variant.pole_pairs, variant.slots)


def words_of(each: FigureOfBatch) -> str:
    """`below 84 mN·m, of 6 units`; of fewer than five what they span."""
    count = len(each.values)
    if each.expected is not None:
        side = "below" if each.upper else "above"
        return f"{side} {quantity(each.expected, each.unit, beside=each.limit)}, of {count} units"
    ends = sorted({quantity(pick(unit.value for unit in each.values), each.unit) for pick in (min, max)})
    return f"{' to '.join(ends)}, of {count} unit{'' if count == 1 else 's'} only"


def _alike(rows: Sequence[Float64s]) -> Float64s:
    """Rows as long as the newest one's."""
    return np.array([row for row in rows if len(row) == len(rows[0])], np.float64)


@dataclass(frozen=True, slots=True)
class _Shape:
    """Of a unit's newest cycles: orders of the hold, half the gap over the turn without teeth, N·m, and where its mark stands."""

    orders: Float64s
    half_gap: Float64s
    mark_deg: float | None


def _shape(run: Run, plan: CyclePlan, cogging_order: int) -> _Shape | None:
    """None where a unit has no such cycles, or another plan."""
    settings = _settings(run)
    if settings is None:
        return None
    own = settings.fixture.plan
    if (own.slow_turn.speed_rpm, own.hold) != (plan.slow_turn.speed_rpm, plan.hold):
        return None
    rows = _newest(run)
    amplitude, forward, back = (
        _mean(rows, leg, column)
        for leg, column in ((HOLD, "amplitude_nm"), (FORWARD, "torque_nm"), (BACK, "torque_nm"))
    )
    if not len(amplitude) or not len(forward) or len(forward) != len(back) or not (amplitude > 0).all():
        return None
    half_gap = smoothed(np.abs(back - forward) / 2, max(cogging_order // 2, 2))
    return _Shape(amplitude, half_gap, mark_of(settings))


def _settings(run: Run) -> RunSettings | None:
    manifest = run.manifest
    return RunSettings.of(manifest) if manifest is not None and manifest.rig else None


def _newest(run: Run) -> pd.DataFrame:
    """The curves of the newest cycles, of as few files as hold them."""
    found: list[pd.DataFrame] = []
    numbers: set[int] = set()
    for chunk in reversed(run.chunks(CURVES)):
        found.append(chunk.read(COLUMNS).to_pandas())
        numbers |= set(found[-1]["cycle_no"].tolist())
        if len(numbers) >= CYCLES_OF:
            break
    rows = pd.concat(found) if found else pd.DataFrame(columns=list(COLUMNS))
    return rows[rows["cycle_no"].isin(sorted(numbers)[-CYCLES_OF:])]


def _mean(rows: pd.DataFrame, leg: str, column: str) -> Float64s:
    values = [np.asarray(each, np.float64) for each in rows[rows["leg"] == leg][column] if len(each)]
    return _alike(values).mean(axis=0) if values else np.empty(0)
