"""The place inside a picture where values are drawn, with its two axes."""

from dataclasses import dataclass, replace

from nightturn.pictures.paper import HAIR, INK, SOFT, Paper
from nightturn.pictures.scale import Scale, tick_text, ticks

LEFT_PX, TOP_PX, FOOT_PX = 58.0, 22.0, 34.0
TICKS_UP = 5
STEPS_DEG = (45.0, 90.0)
NARROW_PX = 560.0
"""A picture narrower than this has half as many ticks."""
BESIDE_PX = 6.0


@dataclass(frozen=True, slots=True)
class Frame:
    """A sheet with two scales on it."""

    paper: Paper
    x: Scale
    y: Scale

    def angle_axis(self, name: str, *, step_deg: float = 0.0) -> None:
        """Degrees along the foot; heavy strokes at the index mark."""
        step = step_deg or STEPS_DEG[self.paper.width_px < NARROW_PX]
        at = -(-self.x.low // step) * step
        while at <= self.x.high + 1e-6:
            self.foot_tick(self.x.one(at), f"{round(at) if at == self.x.high else round(at) % 360}°")
            at += step
        for mark in (0.0, 360.0):
            if self.x.holds(mark):
                x = self.x.one(mark)
                self.paper.segment((x, self.y.low_px - 8), (x, self.y.low_px + 3), INK, 2.2)
        self.name_foot(name)

    def value_axis_foot(self, name: str, most: int = 8) -> None:
        """Round values of a straight scale along the foot."""
        found = ticks(self.x, most)
        for each in found:
            self.foot_tick(self.x.one(each), tick_text(each, found))
        self.name_foot(name)

    def foot_tick(self, x: float, words: str, *, grid: bool = True) -> None:
        """One value on the foot, with a hairline up."""
        if grid:
            self.paper.segment((x, self.y.high_px), (x, self.y.low_px), HAIR, 0.8)
        self.paper.text(x, self.y.low_px + 14, words, anchor="middle", size_px=10)

    def name_foot(self, name: str) -> None:
        """What the foot shows."""
        middle = (self.x.low_px + self.x.high_px) / 2
        self.paper.text(middle, self.y.low_px + 28, name, anchor="middle", size_px=10)

    def beside(self, y: float, words: str, ink: str = SOFT) -> None:
        """Words to the right of the place, at a height."""
        self.paper.text(self.x.high_px + BESIDE_PX, y + 4, words, ink=ink, bold=ink != SOFT)


def framed(
    name: str,
    width_px: float,
    height_px: float,
    x: Scale,
    y: Scale,
    y_name: str,
    *,
    right_px: float = 14.0,
    top_px: float = TOP_PX,
    grid: bool = True,
) -> Frame:
    """A sheet with its value axis drawn, unless `grid` is off; the ends of both scales in pixels are set here."""
    x = replace(x, low_px=LEFT_PX, high_px=width_px - right_px)
    y = replace(y, low_px=height_px - FOOT_PX, high_px=top_px)
    paper = Paper(name, width_px, height_px)
    found = ticks(y, TICKS_UP) if grid else []
    for each in found:
        at = y.one(each)
        paper.segment((x.low_px, at), (x.high_px, at), HAIR, 0.8)
        words = power_text(each) if y.log else tick_text(each, found)
        paper.text(x.low_px - 6, at + 4, words, anchor="end", size_px=10)
    paper.text(14, (y.low_px + y.high_px) / 2, y_name, anchor="middle", size_px=10, upright=True)
    return Frame(paper, x, y)


def power_text(value: float) -> str:
    """A power of ten as a plain number: 0.001, 100."""
    return tick_text(value, (value,))
