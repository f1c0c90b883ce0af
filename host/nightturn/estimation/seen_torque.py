"""What the torque channel saw in the phases of a cycle: how far the torque went, its noise, and what the steps leave of it."""

import msgspec

from nightturn.estimation.budget import Seen
from nightturn.estimation.cogging import Cogging
from nightturn.estimation.figure_drafts import Basis
from nightturn.estimation.friction_pattern import Variation
from nightturn.estimation.quantisation import level_noise_counts, noise_counts
from nightturn.estimation.ripple import Ripple
from nightturn.estimation.turns import samples_per_rev
from nightturn.estimation.undithered import DITHER_THERE, Undithered, Waveform, undithered
from nightturn.model.phases import HOLD, SLOW_TURN
from nightturn.model.tiles import Int64s


def seen(basis: Basis, phase: str) -> Seen:
    """What the torque channel saw in a phase of the cycle."""
    measured = basis.measured
    hold = () if measured.hold is None else (measured.hold,)
    friction, cogging = measured.friction, measured.cogging
    span_nm = 0.0 if friction is None else 2 * friction.friction_nm
    return Seen(
        span_nm=span_nm + (0.0 if cogging is None else cogging.peak.value_nm),
        noise_counts=noise_counts(measured.slow if phase == SLOW_TURN else hold),
        undithered=_undithered(basis, phase),
        warmth=basis.warmth,
        zero_known=friction is not None,
    )


def seen_over_angle(basis: Basis, slow: Seen) -> Seen:
    """The same for friction over angle, whose extremes are at other places of the cogging; `slow` is of the slow passes."""
    measured = basis.measured
    cogging, found = measured.cogging, measured.variation
    if cogging is None or found is None:
        return slow
    read, of = _in_counts(basis, cogging, cogging.orders), _in_counts(basis, found, found.orders)
    noise, samples = level_noise_counts(measured.slow), samples_per_rev(measured.slow[0])
    left = undithered(read, of, noise, samples, _apart_counts(basis), sign=-1)
    return msgspec.structs.replace(slow, undithered=left)


def _undithered(basis: Basis, phase: str) -> Undithered:
    """What the converter's steps leave in the waveform of a phase that has less noise than they are high."""
    measured = basis.measured
    if phase == HOLD:
        held, ripple = measured.hold, measured.ripple
        if held is None or ripple is None:
            return DITHER_THERE
        read = _in_counts(basis, ripple, ripple.fit.orders)
        return undithered(read, read, level_noise_counts([held]), samples_per_rev(held))
    cogging = measured.cogging
    if cogging is None:
        return DITHER_THERE
    read = _in_counts(basis, cogging, cogging.orders)
    noise, samples = level_noise_counts(measured.slow), samples_per_rev(measured.slow[0])
    return undithered(read, read, noise, samples, _apart_counts(basis))


def _in_counts(basis: Basis, found: Ripple | Cogging | Variation, orders: Int64s) -> Waveform:
    one_nm = abs(basis.conditions.lsb_nm)
    return Waveform(
        orders, found.amplitudes / one_nm, found.peak.faint_nm / one_nm, found.localised is not None
    )


def _apart_counts(basis: Basis) -> float:
    """How far friction puts the directions apart, in steps of the converter."""
    friction = basis.measured.friction
    return 0.0 if friction is None else friction.step_nm / abs(basis.conditions.lsb_nm)
