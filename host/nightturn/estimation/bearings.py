"""At which orders a rolling bearing shows, from its parts.

For an outer ring that stands and an inner ring that turns with the shaft, without slip, g = d cos(a) / D being the ball's
share of the pitch: cage (1 - g) / 2, outer race N (1 - g) / 2, inner race N (1 + g) / 2, ball (1 - g²) D / (2 d) turns a
turn of the shaft, at twice which a spot on a ball meets a race (R. B. Randall, J. Antoni, Rolling element bearing
diagnostics - a tutorial, Mechanical Systems and Signal Processing 25, 2011, 485-520; from memory).
"""

import math
from collections.abc import Sequence

from nightturn.settings.rig import Bearing

CAGE, OUTER, INNER, BALL = "cage", "outer race", "inner race", "ball"


def ball_pass_orders(
    balls: int, ball_mm: float, pitch_mm: float, contact_deg: float = 0.0
) -> dict[str, float]:
    """Orders by part: cage, outer race, inner race, and of a ball's spot on both races.

    Args:
        balls: in one row.
        ball_mm: diameter of a ball.
        pitch_mm: diameter of the circle through their centres.
        contact_deg: contact angle.
    """
    share = ball_mm / pitch_mm * math.cos(math.radians(contact_deg))
    return {
        CAGE: (1.0 - share) / 2,
        OUTER: balls * (1.0 - share) / 2,
        INNER: balls * (1.0 + share) / 2,
        BALL: pitch_mm / ball_mm * (1.0 - share**2),
    }


def declared_bearings(bearings: Sequence[Bearing]) -> tuple[tuple[str, float], ...]:
    """(what it is, order) of everything that the declared bearings make."""
    out: list[tuple[str, float]] = []
    for bearing in bearings:
        name = f"bearing {bearing.name}"
        out += [(name, order) for order in bearing.orders]
        if bearing.balls is not None and bearing.ball_mm is not None and bearing.pitch_mm is not None:
            parts = ball_pass_orders(bearing.balls, bearing.ball_mm, bearing.pitch_mm, bearing.contact_deg)
            out += [(f"{name}, {part}", order) for part, order in parts.items()]
    return tuple(out)
