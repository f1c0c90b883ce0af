"""Within what the accepted units of a variant lie, as pictures show it."""

from dataclasses import dataclass

from nightturn.model.tiles import Float64s


@dataclass(frozen=True, slots=True)
class Accepted:
    """Values (n,), N·m, between which accepted units lie, and what is said of these units."""

    low_nm: Float64s
    high_nm: Float64s
    words: str
