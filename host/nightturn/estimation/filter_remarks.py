"""What must be said of the filter before the converter: what it takes from orders, corrected or not."""

import numpy as np

from nightturn.estimation.band import orders_text
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import Draft
from nightturn.estimation.spectra import cogging_order
from nightturn.estimation.transfer import FILTER_REACH
from nightturn.model.quantities import fixed, number, quantity
from nightturn.model.tiles import Int64s
from nightturn.model.verdicts import NOT_JUDGED

SAID_LOSS = 0.01
"""From this share of an order that the filter takes on it is spoken of."""
USUAL_CORNER = 0.1
"""Corner of a filter that nobody states, as a share of the sampling rate: about the lowest that keeps the rate from being
wasted (common practice, no source)."""
USUAL_SHARE = float(np.sqrt(1.0 / (1.0 - SAID_LOSS) ** 2 - 1.0))
"""Of its corner, at which one pole takes `SAID_LOSS`: 0.14."""


def matters_hz(order_hz: float) -> float:
    """The highest corner of a low-pass of one pole that takes `SAID_LOSS` from an order at this frequency, Hz."""
    return order_hz / USUAL_SHARE


def unstated_filter(order: int, order_hz: float) -> str:
    """What a low-pass that nobody states does from which corner on, and that a higher one does nothing to speak of."""
    return (
        f"a low-pass of {quantity(matters_hz(order_hz), 'Hz', digits=2)} or less before the converter takes {number(100 * SAID_LOSS)} % "
        f"or more from order {order} at {quantity(order_hz, 'Hz', digits=2)}, and no sample shows it"
    )


def note_filter(draft: Draft, orders: Int64s, speed_rpm: float, conditions: Conditions) -> None:
    """Say which orders the filter matters to; a value with orders beyond the reach of the correction is not judged.

    `orders` are those that the value depends on.
    """
    if draft.value is None:
        return
    if conditions.filter_hz:
        _note_known(draft, orders, speed_rpm, conditions, conditions.filter_hz)
        return
    corner_hz = USUAL_CORNER * conditions.rate_hz
    hit = orders[orders * speed_rpm / 60.0 > USUAL_SHARE * corner_hz]
    if len(hit):
        verb = "reads" if len(hit) == 1 else "read"
        draft.note(
            f"No filter corner of the torque channel is known: {orders_text(hit.tolist())} at up to "
            f"{quantity(float(hit.max()) * speed_rpm / 60.0, 'Hz', digits=3)} {verb} {number(100 * SAID_LOSS)} % low or more if it is "
            f"{quantity(corner_hz, 'Hz')}, a tenth of the sampling rate, or lower."
        )


def _note_known(
    draft: Draft, orders: Int64s, speed_rpm: float, conditions: Conditions, corner_hz: float
) -> None:
    """A filter whose corner is known: corrected, or too strong to be."""
    first = cogging_order(conditions.pole_pairs, conditions.slots)
    highest = max(int(orders.max(initial=0)), first)  # what it takes away altogether is in no list of orders
    share = highest * speed_rpm / 60.0 / corner_hz
    lost = 1.0 - 1.0 / np.sqrt(1.0 + share ** (2 * conditions.filter_poles))
    if not highest or lost <= SAID_LOSS:
        return
    at = (
        f"At {quantity(speed_rpm, 'rpm', digits=3)} order {highest} is at {fixed(100 * share, 0)} % of the filter's corner of "
        f"{quantity(corner_hz, 'Hz')}"
    )
    if share <= FILTER_REACH:
        draft.note(f"{at}, for which the value is corrected.")
        return
    slower = 60.0 * FILTER_REACH * corner_hz / highest
    draft.note(
        f"{at} and damped too much to be corrected. Turn at {quantity(slower, 'rpm', digits=2)} or less.",
        NOT_JUDGED,
    )
