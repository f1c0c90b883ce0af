"""Where the rotor's own mark stood on the encoder's turn: what ties the angles of two mountings, or of two units, to each other."""

import numpy as np
from msgspec import UnsetType

from nightturn.fixture.stream import RunSettings
from nightturn.model.tiles import Float64s

NO_MARK = "`nightturn mount --mark` names where the mark of a rotor is"


def mark_of(settings: RunSettings) -> float | None:
    """Degrees from the encoder's zero; None where the card names no mark, or that zero is wherever the encoder was switched on."""
    mark = settings.card.mark_deg
    if isinstance(mark, UnsetType) or settings.fixture.encoder.reference == "none":
        return None
    return mark


def from_mark(values: Float64s, mark_deg: float) -> Float64s:
    """A turn (points,) that begins at the encoder's zero, begun at the rotor's mark, to the nearest point."""
    return np.roll(values, -round(mark_deg / 360.0 * len(values)))


def from_zero(values: Float64s, mark_deg: float) -> Float64s:
    """The way back: a turn (points,) that begins at the rotor's mark, begun at the encoder's zero."""
    return np.roll(values, round(mark_deg / 360.0 * len(values)))
