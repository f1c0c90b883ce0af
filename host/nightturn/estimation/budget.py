"""The uncertainty budget of a figure: what the torque channel's own data contribute, line by line.

After JCGM 100:2008: contributions as standard uncertainty times sensitivity (5.1.3), systematic ones not smaller by
repetition (5.2.4), their sum with Welch and Satterthwaite's degrees of freedom (G.4.1) in `draft.combined`. Which lines a
torque channel has follows EURAMET cg-14 and the data sheets of the trade (from memory). A line is the effect on the
figure itself: linearity and hysteresis at the torque that was used, not at full scale, and of zero only what does not
cancel in it. What an estimator knows of lag, filter, resonance and rig it adds itself.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Literal

import msgspec

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import combined
from nightturn.estimation.quantisation import rounding_counts
from nightturn.estimation.undithered import DITHER_THERE, Undithered
from nightturn.model.certificates import Certificate, standard
from nightturn.model.figures import BUDGET, NU_MANY, REPEATABILITY, BudgetLine, Figure

FACTOR, LINEARITY, HYSTERESIS = "factor", "linearity", "hysteresis"
ZERO_RETURN, TK0, TKC = "zero return", "TK0 of zero", "TKC of factor"
EXCITATION, GAIN, RESOLUTION = "excitation", "gain", "converter steps"
WITH_TEMPERATURE = frozenset({TK0, TKC})

STEEPEST = 4.0
"""Slope of a deviation from the line that is a parabola over full scale, at its ends, over its height."""
BRIDGE_ROLES = ("bridge", "ambient")
"""Whose temperature is the transducer's: the first that was measured."""
BEYOND_K = 10.0 / math.sqrt(3)
"""Where no temperature was measured: within 10 K of those of the calibration."""
CHANGE_K = 1.0
"""Where no temperature was measured: change within a cycle."""
PER_K = 0.1
"""Coefficients are per 10 K."""
SHEET = "the device's sheet"


Rounded = Literal["peak", "rms", "mean", "place"]


class Enters(msgspec.Struct, frozen=True):
    """How an error of the torque channel enters a figure.

    Attributes:
        zero: share of a constant error of zero; 0 where it cancels.
        change: share of what zero changes within the cycle.
        unloading: share of the zero that is left after unloading.
        steps: how many times the rounding of one mean counts.
        rounded: what the converter's steps spoil where noise does not carry the samples over them, see `Undithered`.
        reverses: the torque goes through both directions, so that hysteresis acts over all of it.
        checked: the slow passes of the same cycle take zero off.
    """

    zero: float = 0.0
    change: float = 0.5
    unloading: float = 0.0
    steps: float = math.sqrt(2)
    rounded: Rounded = "mean"
    reverses: bool = False
    checked: bool = False


DIFFERENCE = Enters(rounded="peak")
"""Peak to peak: of two torques in one pass, whose linear drift is taken off."""
RMS = Enters(steps=1.0, rounded="rms")
HALF_STEP = Enters(steps=math.sqrt(0.5), reverses=True)
"""Half of a difference between two directions: half of what zero changes between them."""
HALF_SUM = Enters(zero=1.0, unloading=1.0, steps=math.sqrt(0.5), reverses=True)
LEVEL = Enters(zero=1.0, change=1.0, unloading=1.0, steps=math.sqrt(1.5), checked=True)
AT_ONE_PLACE = msgspec.structs.replace(LEVEL, rounded="place")
"""A level over an angle that is too short for the torque to run over many steps."""


class Warmth(msgspec.Struct, frozen=True):
    """The transducer's temperature in a cycle: mean, °C, and how far it moved, K; None where nothing was measured."""

    degc: float | None = None
    change_k: float | None = None


UNMEASURED = Warmth()


class Seen(msgspec.Struct, frozen=True):
    """What the channel saw in the phase of a figure.

    Attributes:
        span_nm: torque from end to end over both directions.
        noise_counts: of single samples.
        undithered: what the converter's steps leave where the noise is smaller than they are.
        warmth: of the cycle.
        zero_known: whether the slow passes found the zero.
    """

    span_nm: float = 0.0
    noise_counts: float = 0.0
    undithered: Undithered = DITHER_THERE
    warmth: Warmth = UNMEASURED
    zero_known: bool = False


def kind_of(certificate: Certificate | None) -> str:
    """What a ± is with what the calibration record states: of the whole budget, or repeatability."""
    return BUDGET if certificate is not None and certificate.whole else REPEATABILITY


def warmth_of(means_degc: Mapping[str, float], ends_mdegc: Mapping[str, tuple[int, int]]) -> Warmth:
    """The transducer's temperature from those by role: means, °C, and lowest and highest, thousandths of °C."""
    role = next((role for role in BRIDGE_ROLES if role in means_degc), None)
    if role is None:
        return Warmth()
    low, high = ends_mdegc.get(role, (0, 0))
    return Warmth(means_degc[role], (high - low) / 1000.0 if role in ends_mdegc else None)


def budget_lines(
    value_nm: float, enters: Enters, seen: Seen, conditions: Conditions
) -> tuple[BudgetLine, ...]:
    """What the torque channel contributes to a figure of this value, N·m; lines that contribute nothing are left out.

    All are systematic: alike in every cycle of a run, and in part in every unit on the rig.
    """
    rounding_nm = abs(conditions.lsb_nm) * _rounding_counts(enters, seen)
    rows = [
        (RESOLUTION, rounding_nm, SHEET),
        *_certified(abs(value_nm), enters, seen, conditions),
    ]
    return tuple(
        BudgetLine(name, u_nm, NU_MANY, common=True, source=source) for name, u_nm, source in rows if u_nm > 0
    )


def _rounding_counts(enters: Enters, seen: Seen) -> float:
    """What rounding leaves of a figure: of means by themselves, or of its waveform, whichever is more."""
    left = seen.undithered
    of_waveform = {
        "peak": left.peak,  # of both its ends
        "rms": left.rms,
        # The directions run over the same crests and may err alike (simulated).
        "mean": max(enters.steps, 1.0) * left.mean,
        "place": enters.steps * left.place,
    }
    return max(enters.steps * rounding_counts(seen.noise_counts), of_waveform[enters.rounded])


def _certified(
    size_nm: float, enters: Enters, seen: Seen, conditions: Conditions
) -> Iterator[tuple[str, float, str]]:
    """Name, contribution in N·m and source of what the calibration record states."""
    known = conditions.certificate
    if known is None:
        return
    source, full_nm = conditions.certificate_source, known.full_scale_nm or 0.0
    yield FACTOR, size_nm * standard(known.factor_rel), source
    # The deviation from the line is zero at zero torque and largest somewhere up to full scale. Between two torques it can
    # change by its steepest slope at most, so that a small torque range has a small part of it, and never more than all.
    used_nm = min(STEEPEST * size_nm, full_nm)
    yield LINEARITY, used_nm * standard(known.linearity_rel_fs), source
    loop_nm = min(seen.span_nm if enters.reverses else size_nm, full_nm)
    yield HYSTERESIS, loop_nm * standard(known.hysteresis_rel_fs), source
    yield ZERO_RETURN, enters.unloading * full_nm * standard(known.zero_return_rel_fs), source
    if conditions.excitation_counts:
        yield EXCITATION, size_nm * standard(known.excitation_rel), source
    yield GAIN, size_nm * standard(known.gain_rel), source
    beyond_k, change_k, source = _temperature(seen.warmth, conditions)
    whole = enters.zero > 0 and not (enters.checked and seen.zero_known)
    moved_k = enters.zero * beyond_k if whole else enters.change * change_k
    yield TK0, full_nm * standard(known.tk0_rel_fs_per_10k) * PER_K * moved_k, source
    yield TKC, size_nm * standard(known.tkc_rel_per_10k) * PER_K * beyond_k, source


def _temperature(warmth: Warmth, conditions: Conditions) -> tuple[float, float, str]:
    """How far the transducer was from the temperatures of its calibration, how far it moved, K, and by whom that is said."""
    known, source = conditions.certificate, conditions.certificate_source
    assert known is not None
    low, high = known.temp_low_degc, known.temp_high_degc
    if warmth.degc is None or low is None or high is None:
        return BEYOND_K, CHANGE_K, f"{source}; no temperature of the bridge: 10 K assumed, 1 K within a cycle"
    change_k = CHANGE_K if warmth.change_k is None else warmth.change_k
    return max(low - warmth.degc, warmth.degc - high, 0.0), change_k, source


def comparison(one: Figure, other: Figure) -> tuple[float, float, float]:
    """How far two units on one rig differ in a figure: difference, its standard uncertainty, degrees of freedom.

    Lines that both share are correlated with r = 1 and leave only the difference of their contributions (JCGM 100:2008,
    5.2.2, note 1): nearly nothing for units that are alike. Those with temperature leave their sum, because the two may have
    been measured on either side of the calibration's. In the figure's unit.

    Raises:
        ValueError: not the same figure, or one has no value or no uncertainty.
    """
    if one.name != other.name:
        raise ValueError(f"{one.name} and {other.name} are not the same figure")
    if one.value is None or other.value is None or not one.budget or not other.budget:
        raise ValueError(f"{one.name} has no value with its uncertainty in both")
    theirs = {(line.name, line.source): line for line in other.budget if line.common}
    lines: list[BudgetLine] = [line for line in other.budget if not line.common]
    for line in one.budget:
        shared = theirs.pop((line.name, line.source), None) if line.common else None
        lines.append(line if shared is None else _left_of(line, shared))
    u, nu = combined((*lines, *theirs.values()))
    return one.value - other.value, u, nu


def _left_of(line: BudgetLine, shared: BudgetLine) -> BudgetLine:
    """What two correlated contributions leave in a difference."""
    left = line.u + shared.u if line.name in WITH_TEMPERATURE else abs(line.u - shared.u)
    return msgspec.structs.replace(line, u=left, nu=min(line.nu, shared.nu))


def shares_pct(lines: Sequence[BudgetLine]) -> tuple[float, ...]:
    """Each line's share of the square of the whole, per cent; they add up to 100."""
    whole = sum(line.u**2 for line in lines)
    return tuple(100.0 * line.u**2 / whole if whole else 0.0 for line in lines)
