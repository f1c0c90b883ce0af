"""What the two machines do: pieces of constant acceleration on the sample index, known in advance in closed form.

Positions are counts, speeds counts per sample, so that a position depends on the index alone and never on how a
stretch of samples was cut up.
"""

import math
from dataclasses import dataclass

FOR_EVER = 1 << 62


@dataclass(frozen=True, slots=True)
class Piece:
    """value(i) = start_value + rate·k + acceleration·k²/2 with k = i - start, for start <= i < stop."""

    start: int
    stop: int
    start_value: float
    rate: float
    acceleration: float = 0.0

    def value(self, index: int) -> float:
        """The value at a sample."""
        k = float(index - self.start)
        return self.start_value + self.rate * k + (0.5 * self.acceleration) * (k * k)

    def rate_at(self, index: int) -> float:
        """Change per sample at a sample."""
        return self.rate + self.acceleration * float(index - self.start)

    @property
    def sense(self) -> float:
        """The sign of the movement; a piece never turns round inside."""
        return math.copysign(1.0, self.rate + 0.5 * self.acceleration * float(self.stop - self.start))

    @property
    def moving(self) -> bool:
        """Whether the value changes."""
        return self.rate != 0.0 or self.acceleration != 0.0


def resting(start: int, value: float) -> Piece:
    """Standing at a value for ever."""
    return Piece(start, FOR_EVER, value, 0.0)


class Course:
    """The pieces ahead of one machine; the last one lasts for ever."""

    def __init__(self, value: float) -> None:
        self._pieces = [resting(0, value)]

    def piece(self, index: int) -> Piece:
        """The piece that holds a sample; pieces before it are forgotten."""
        while self._pieces[0].stop <= index:
            del self._pieces[0]
        return self._pieces[0]

    def replace(self, index: int, ahead: list[Piece]) -> None:
        """From `index` on, do this instead of what was planned."""
        now = self.piece(index)
        kept = (
            []
            if now.start >= index
            else [Piece(now.start, index, now.start_value, now.rate, now.acceleration)]
        )
        self._pieces = kept + ahead

    def still(self, index: int) -> bool:
        """Whether nothing moves from this sample on."""
        return not self.piece(index).moving and len(self._pieces) == 1


def speed_course(index: int, value: float, rate: float, target: float, ramp: float) -> list[Piece]:
    """Ramp from `rate` to `target` (per sample), then keep it; through standstill when the sign turns."""
    stages = [0.0, target] if rate * target < 0 else [target]
    pieces: list[Piece] = []
    for stage in stages:
        steps = math.ceil(abs(stage - rate) / ramp)
        if steps:
            acceleration = (stage - rate) / steps
            piece = Piece(index, index + steps, value, rate, acceleration)
            pieces.append(piece)
            value, index = piece.value(index + steps), index + steps
        rate = stage
    pieces.append(Piece(index, FOR_EVER, value, rate))
    return pieces


def travel_course(index: int, value: float, travel: float, rate: float, ramp: float) -> list[Piece]:
    """A trapezoid that ends exactly `travel` away, never faster than `rate`, never steeper than `ramp`."""
    distance = abs(travel)
    steps = math.ceil(rate / ramp)
    whole = math.ceil(distance / rate)
    if whole < steps:
        steps = whole = math.ceil(math.sqrt(distance / ramp))
    cruise = whole - steps
    top = travel / whole
    first = Piece(index, index + steps, value, 0.0, top / steps)
    at = index + steps
    pieces = [first]
    value_at = value + 0.5 * top * steps
    if cruise:
        pieces.append(Piece(at, at + cruise, value_at, top))
        at, value_at = at + cruise, value_at + top * cruise
    pieces.append(Piece(at, at + steps, value_at, top, -top / steps))
    pieces.append(resting(at + steps, value + travel))
    return pieces


def level_course(index: int, value: float, target: float, ramp: float) -> list[Piece]:
    """A straight line to a level, then the level."""
    steps = math.ceil(abs(target - value) / ramp)
    line = [Piece(index, index + steps, value, (target - value) / steps)] if steps else []
    return [*line, resting(index + steps, target)]
