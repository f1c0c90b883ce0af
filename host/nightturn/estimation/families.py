"""Orders that unequal magnets and slots make: many, each small, known beforehand, and known only together."""

from dataclasses import dataclass
from math import lcm

import numpy as np

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.quantiles import f_quantile
from nightturn.estimation.spectra import NOISE_ORDERS
from nightturn.estimation.turns import Complex128s
from nightturn.model.tiles import Float64s, Int64s

RIG_ORDERS = 4
"""The lowest declared orders are the rig's: runout, misalignment and what slow noise there is."""
FAMILY_REACH = 4
"""Beyond this many times the lcm of poles and slots their multiples are taken to be weak enough to leave out."""
TAKEN_OUT = 1e-12
"""Power over noise of an order that was taken out of the waveform as hum: nothing but rounding."""
OTHERS_EXCESS = 3.0
"""All other orders together count in an rms only where their power exceeds the noise's by this many standard deviations."""
BESIDE_CHANCE, OTHERS_CHANCE = 0.02, 2e-3
"""Chance of noise to be looked at as orders beside the strong ones, of which few are asked, and as all others together."""
NOTHING_BESIDE, NOTHING_ELSE = 0.5, 0.98
"""Chance that these groups hold nothing, before anything was measured. Of all others noise passed as orders in 1 to 4 of 100 cycles where 0.5 was
taken for them as well, and each of these read a single order 11 to 16 % high (40 mN·m of noise; simulated)."""
AT_ENDS = 3.0
"""How many times more power all others have at the ends of the waveform than elsewhere: what unequal magnets and slots make of every
order stands where the strong orders stand highest, because it is of the same magnets passing the same slots. Power there is 2.0
times the usual one (rms 1.41, 120 ends of a machine with 3 %); with 3 also those are covered whose power is read too small."""
SIDES = 3
"""Orders on either side of a strong one that an encoder out of centre may fill."""
SIDES_OF = 0.1
"""Strong is an order of this share of the largest."""
NOTHING_DECLARED, NOTHING_OF_FAMILY, NOTHING_FOUND = 0.8, 0.2, 0.5
"""Chance of a group to hold nothing, before anything was measured: a declared order need not be there, no two magnets are
quite alike, and of a few lines noise stands out as a group now and then. At 40 mN·m of noise a single order reads 1.00 ± 0.06 % high (400 cycles), a
small unit of 7 pole pairs 4.8 % low. Both cannot be had: with 0.6 for the last they read 0.9 % high and 5.0 % low, with 0.87 and 0.65 0.8 % high and 6.0 % low."""
GROUP = 16
"""Neighbouring lines that share one estimate of how strong such lines are."""


@dataclass(frozen=True, slots=True)
class Faint:
    """Known orders that do not stand out of the noise one by one.

    Attributes:
        orders, amplitudes: (m,) as read, noise and all; noise: (m,) E|c - c̄|² of each.
        groups: (m,) to which group of neighbours each belongs; counts, power: (groups,) how many lines the group's power
            rests on, and that mean power over the noise's; gates: (groups,) above what power over the noise's a line was taken out;
            nothing: chance to hold nothing beforehand; ends: how many times more power they have at the ends of the waveform.
    """

    orders: Int64s
    amplitudes: Complex128s
    noise: Float64s
    groups: Int64s
    counts: Float64s
    power: Float64s
    gates: Float64s
    nothing: Float64s
    ends: Float64s

    @property
    def shrunk(self) -> Complex128s:
        """What each amplitude most likely is: nothing where its group holds no more than the noise."""
        share = np.maximum(1.0 - 1.0 / self.power, 0.0)
        return np.asarray(self.amplitudes * share[self.groups])


def family_orders(conditions: Conditions, highest: int) -> frozenset[int]:
    """All multiples of the unit's poles and of its slots, up to `highest` or the fourth harmonic of the cogging.

    A magnet unlike the others passes every slot and shows at multiples of the slots; a slot unlike the others meets
    every pole and shows at multiples of the poles.
    """
    poles, slots = 2 * conditions.pole_pairs, conditions.slots
    if poles <= 0 or slots <= 0:
        return frozenset()
    last = min(highest, FAMILY_REACH * lcm(poles, slots))
    return frozenset(n for base in (poles, slots) for n in range(base, last + 1, base))


def faint_orders(
    amplitudes: Complex128s,
    noise: Float64s,
    gate: Float64s,
    declared: frozenset[int],
    family: frozenset[int],
    kept: Int64s,
) -> Faint:
    """The known orders that were not kept, in groups of like ones: the rig's, the declared ones, neighbours of a family.

    Shapes: amplitudes, noise (E|c - c̄|²) and gate (of their ratio) by order from 0.
    """
    taken = set(kept.tolist()) | set(np.flatnonzero(noise <= 0).tolist()) | {0}
    rig = sorted(n for n in declared - taken if n <= RIG_ORDERS)
    alone = sorted(n for n in declared - taken if n > RIG_ORDERS)
    # What lies beyond the highest order that stands out is weaker still: to reckon with it would be to add noise.
    last = max((n for n in kept.tolist() if n in declared or n in family), default=0)
    many = sorted(n for n in family - declared - taken if n <= last)
    next_one = _next_harmonic(family, taken, last)
    number = max(round(len(many) / GROUP), 1)
    sizes = [len(rig), len(alone), *(len(part) for part in np.array_split(many, number)), len(next_one)]
    present = [size for size in sizes if size]
    # Where magnets and slots differ by much, some line of theirs stands out.
    plain = not any(n in family and n not in declared for n in kept.tolist())
    usual = NOTHING_FOUND if plain else NOTHING_OF_FAMILY
    likely = [NOTHING_DECLARED, NOTHING_DECLARED, *[usual] * number, NOTHING_OF_FAMILY]
    nothing = np.array([chance for chance, size in zip(likely, sizes, strict=True) if size])
    orders = np.array([*rig, *alone, *many, *next_one], np.int64)
    chosen, own = amplitudes[orders], noise[orders]
    if not present:
        one = np.ones(1)
        return Faint(orders, chosen, own, orders, one, one, one, NOTHING_DECLARED * one, one)
    groups = np.repeat(np.arange(len(present)), present)
    counts = np.array(present, np.float64)
    gates = np.bincount(groups, gate[orders]) / counts
    means = np.bincount(groups, (chosen.real**2 + chosen.imag**2) / own) / counts
    alike = slice(1 if rig else 0, len(present) - len(next_one))
    if len(counts[alike]):
        counts[alike], means[alike] = _drawn_together(counts[alike], means[alike])
    return Faint(
        orders, chosen, own, groups, counts, np.maximum(means, 1e-9), gates, nothing, np.ones(len(counts))
    )


def _next_harmonic(family: frozenset[int], taken: set[int], last: int) -> list[int]:
    """The fourth harmonic of the cogging, the family's last order, where the third is the highest that stands out."""
    # It stands with the others in every peak: 0.43 mN·m of it beside 1.4 of the third added 0.4 % to a ripple of 44 mN·m.
    top = max(family, default=0)
    return [top] if top not in taken and top > last and 3 * top == 4 * last else []


def with_others(
    faint: Faint,
    amplitudes: Complex128s,
    noise: Float64s,
    gate: Float64s,
    known: frozenset[int],
    kept: Int64s,
    nu: int,
) -> Faint:
    """The faint orders and, where they hold more than noise together, those that nobody declared: beside the strong, and all.

    An encoder out of centre makes side lines of every order; magnets and slots that are unequal at once make a little of
    every order. Shapes as of `faint_orders`; `nu` are the degrees of freedom of each order's noise.
    """
    size = np.abs(amplitudes[kept])
    strong = kept[size >= SIDES_OF * size.max(initial=0.0)]
    sides = np.unique((strong[:, None] + np.arange(-SIDES, SIDES + 1)).ravel())
    last = max((n for n in kept.tolist() if n in known), default=0)
    free = np.ones(len(noise), np.bool_)
    free[[n for n in known | set(kept.tolist()) | {0} if n < len(free)]] = False
    beside = np.zeros_like(free)
    beside[sides[(sides > 0) & (sides < len(free))]] = True
    usual = np.arange(len(free)) <= last
    for some, chance, nothing, ends in (
        (beside, BESIDE_CHANCE, NOTHING_BESIDE, 1.0),
        (usual & ~beside, OTHERS_CHANCE, NOTHING_ELSE, AT_ENDS),
    ):
        orders = np.flatnonzero(free & some)
        faint = _with_group(faint, orders, amplitudes, noise, gate, nu, chance, nothing, ends)
    return faint


def _with_group(
    faint: Faint,
    orders: Int64s,
    amplitudes: Complex128s,
    noise: Float64s,
    gate: Float64s,
    nu: int,
    chance: float,
    nothing: float,
    ends: float,
) -> Faint:
    """The faint orders and a group more, where it holds more than noise by this chance."""
    seen = np.abs(amplitudes[orders]) ** 2 > TAKEN_OUT * noise[orders]
    orders = orders[(noise[orders] > 0) & seen]
    lines = len(orders)
    if lines == 0 or len(faint.orders) == 0:
        return faint
    chosen, own = amplitudes[orders], noise[orders]
    # Line by line, since noise may differ; the mean ratio to a noise that is an estimate itself is nu/(nu - 2) without signal.
    power = float(((chosen.real**2 + chosen.imag**2) / own).mean()) * (1.0 - 2.0 / nu)
    beneath = nu * max(lines / NOISE_ORDERS, 1.0)
    if power < f_quantile(1.0 - chance, 2 * lines, beneath):
        return faint
    return Faint(
        np.concatenate((faint.orders, orders)),
        np.concatenate((faint.amplitudes, chosen)),
        np.concatenate((faint.noise, own)),
        np.concatenate((faint.groups, np.full(lines, len(faint.counts)))),
        np.append(faint.counts, 1.0 / (1.0 / lines + 2.0 / beneath)),
        np.append(faint.power, power),
        np.append(faint.gates, float(gate[orders].mean())),
        np.append(faint.nothing, nothing),
        np.append(faint.ends, ends),
    )


def _drawn_together(counts: Float64s, means: Float64s) -> tuple[Float64s, Float64s]:
    """Means of groups drawn towards their common mean, as far as they do not differ by more than chance.

    The estimator of C. Stein and W. James (Proc. 4th Berkeley Symposium, 1961, 1, 361-379; from memory), with the
    variance that the mean of exponentials has.
    """
    total = float(counts.sum())
    common = float(counts @ means) / total
    between = float(counts @ (means - common) ** 2) / common**2 if common > 0 else 0.0
    own = max(1.0 - (len(counts) - 1) / between, 0.0) if between > 0 else 0.0
    return counts / (own + (1.0 - own) * counts / total), common + own * (means - common)
