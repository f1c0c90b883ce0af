"""Which orders a turn's samples can show, which declared orders lie beyond, and whether a value misses them.

One source for the estimators and for `check`, which asks before the night.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import inf, lcm

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.folds import BINS
from nightturn.estimation.remarks import RELEVANT_SHARE
from nightturn.estimation.turns import MIN_SAMPLES_PER_BIN, bins_for, highest_order

SECOND_SHARE = 0.5
"""What the second multiple of a cogging order may be of the first when nothing is known of either (common practice, no
source); the third is taken to fall as the second did."""
ENCODER, SAMPLING, BIN_NUMBER = "encoder", "sampling", "bins"


@dataclass(frozen=True, slots=True)
class Band:
    """The orders of one phase.

    Attributes:
        bins: angle bins in a turn; highest: the highest order that they carry.
        unseen: declared orders above it, in rising order.
    """

    bins: int
    highest: int
    unseen: tuple[int, ...]


def band_of(conditions: Conditions, samples_per_rev: float) -> Band:
    """The orders that a turn of so many samples and this encoder can show."""
    bins = bins_for(conditions.counts_per_rev, samples_per_rev)
    highest = highest_order(bins)
    return Band(bins, highest, tuple(order for order in named_orders(conditions) if order > highest))


def named_orders(conditions: Conditions) -> tuple[int, ...]:
    """The orders of a declared cause in both machines, in rising order, however high.

    Poles p pairs and slots Z: p, 2p, 6p, 12p, Z, 2Z and LCM(2p, Z) with its multiples to the third (Zhu and Howe, IEEE Trans.
    Energy Conversion 15(4), 2000); 1 to 4 are the rig's.
    """
    orders = {1, 2, 3, 4}
    for pairs, slots in _machines(conditions):
        orders.update((pairs, 2 * pairs, 6 * pairs, 12 * pairs, slots, 2 * slots))
        orders.update(_multiples(pairs, slots))
    return tuple(sorted(orders))


def missed(band: Band, amplitudes: Mapping[int, float], conditions: Conditions) -> tuple[int, ...]:
    """The unseen orders that may matter to a value made of these amplitudes, N·m by order.

    A multiple of a cogging order whose lower multiples are seen is reckoned from how they fall; it matters from a fiftieth of
    the sum of all amplitudes on. Any other unseen order may be of any size.
    """
    total = sum(amplitudes.values())
    reckoned: dict[int, float] = {}
    for pairs, slots in _machines(conditions):
        reckoned |= _reckoned(_multiples(pairs, slots), amplitudes, band.highest)
    limit = RELEVANT_SHARE * total
    return tuple(order for order in band.unseen if order not in reckoned or reckoned[order] > limit)


def _reckoned(
    multiples: tuple[int, int, int], amplitudes: Mapping[int, float], highest: int
) -> dict[int, float]:
    """What the unseen multiples of a cogging order may be, by how the seen ones fall; none where the first is unseen."""
    first, second, third = multiples
    if first > highest:
        return {}
    size = amplitudes.get(first, 0.0)
    if second > highest:
        beyond = {second: SECOND_SHARE * size}
        return {**beyond, third: SECOND_SHARE * beyond[second]}
    following = amplitudes.get(second, 0.0)
    return {third: following * min(following / size, 1.0)} if size > 0 else {third: following}


def ends_by(band: Band, conditions: Conditions) -> str:
    """What ends the band: the encoder, the sampling or the number of angle bins."""
    if band.bins == BINS:
        return BIN_NUMBER
    return ENCODER if bins_for(conditions.counts_per_rev, inf) <= band.bins else SAMPLING


def bins_needed(order: int) -> int:
    """Angle bins in a turn that an order needs; more than 4096 there are not."""
    bins = 16
    while highest_order(bins) < order:
        bins *= 2
    return bins


def speed_needed_rpm(order: int, rate_hz: float) -> float:
    """The fastest speed at which a rate shows an order."""
    return rate_hz * 60 / (MIN_SAMPLES_PER_BIN * bins_needed(order))


def rate_needed_hz(order: int, speed_rpm: float) -> float:
    """The lowest rate at which a speed shows an order."""
    return MIN_SAMPLES_PER_BIN * bins_needed(order) * speed_rpm / 60


def orders_text(orders: Iterable[int], most: int = 5) -> str:
    """`order 336`, or `orders 168, 336 and 3 more`."""
    names = [str(order) for order in orders]
    if len(names) == 1:
        return f"order {names[0]}"
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return f"orders {', '.join(names[:most])}{more}"


def _machines(conditions: Conditions) -> tuple[tuple[int, int], ...]:
    """Pole pairs and slots of unit and drive, where both are declared."""
    both = (
        (conditions.pole_pairs, conditions.slots),
        (conditions.drive_pole_pairs, conditions.drive_slots),
    )
    return tuple((pairs, slots) for pairs, slots in both if pairs > 0 and slots > 0)


def _multiples(pairs: int, slots: int) -> tuple[int, int, int]:
    """The cogging order, twice and three times of it; beyond, they are below 1 % of a cogging (common practice, no source)."""
    first = lcm(2 * pairs, slots)
    return first, 2 * first, 3 * first
