"""A sheet that collects marks and gives them as one SVG text; colours ride along as attributes, so that a saved picture keeps them.

Each mark also has a class, by which a page repaints it in the dark or for print. There is no style attribute, no script and no address.
"""

from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from nightturn.model.tiles import Float64s

INK, SOFT, HAIR, PAPER = "ink", "soft", "hair", "paper"
FORWARD, BACK, GROWN, LESS = "forward", "back", "grown", "less"
COLOURS = {
    INK: "#23272d",
    SOFT: "#5f646b",
    HAIR: "#d8d2c5",
    PAPER: "#faf8f3",
    FORWARD: "#14597d",
    BACK: "#9a4a17",
    GROWN: "#6d1f66",
    LESS: "#2c6e63",
}
IN_THE_DARK = {
    INK: "#e9e5dc",
    SOFT: "#a3a69f",
    HAIR: "#363b42",
    PAPER: "#15181c",
    FORWARD: "#7db8d8",
    BACK: "#e0a06f",
    GROWN: "#d79ad0",
    LESS: "#86c5b8",
}
PRINTED = {INK: "#000000", SOFT: "#444444", HAIR: "#bbbbbb", PAPER: "#ffffff"}
"""In print; other inks as they are."""
FACE = "Helvetica, Arial, 'DejaVu Sans', sans-serif"
SIZE_PX = 11
NARROWEST_PX = 6.0
"""Of a hatched column: a stop of a second in a night of hours must be seen."""
LETTER, BOLD_LETTER = 0.56, 0.66
"""Mean width of a letter by its size, on the wide side: faces differ, and words must not run out of the picture."""
STROKE_PX = 7.0
"""Between the short strokes on the forbidden side of a limit."""


def repainting() -> str:
    """The style sheet by which a page paints pictures, and itself: as on paper, in the dark and in print."""
    inks = "".join(f".s-{ink}{{stroke:var(--{ink})}}.f-{ink}{{fill:var(--{ink})}}" for ink in COLOURS)
    dark = f"@media (prefers-color-scheme:dark){{{_variables(IN_THE_DARK)}}}"
    return f"{_variables(COLOURS)}{dark}@media print{{{_variables({**COLOURS, **PRINTED})}}}{inks}"


def _variables(inks: Mapping[str, str]) -> str:
    return f":root{{{';'.join(f'--{ink}:{colour}' for ink, colour in inks.items())}}}"


def px(value: float) -> str:
    """A length for a picture, to a tenth of a pixel, which no screen and no paper shows."""
    rounded = round(float(value), 1) + 0.0
    return str(int(rounded)) if rounded == int(rounded) else str(rounded)


def words_px(words: str, size_px: float = SIZE_PX, *, bold: bool = False) -> float:
    """About how wide words are."""
    return (BOLD_LETTER if bold else LETTER) * size_px * len(words)


class Paper:
    """One picture in the making; `name` is unique within a page, because patterns are referred to by it."""

    def __init__(self, name: str, width_px: float, height_px: float) -> None:
        self.name = name
        self.width_px = width_px
        self.height_px = height_px
        self._marks: list[str] = []
        self._hatched = False

    def line(
        self,
        x: Float64s,
        y: Float64s,
        ink: str = INK,
        width_px: float = 1.0,
        dash: str = "",
        opacity: float = 1.0,
    ) -> None:
        """A line through points (n,), broken where one is not a number."""
        path = _path(x, y)
        if path:
            self._add("path", d=path, fill="none", ink=ink, width_px=width_px, dash=dash, opacity=opacity)

    def band(self, x: Float64s, low: Float64s, high: Float64s, ink: str, opacity: float) -> None:
        """The area between two lines over the same points (n,); points without a number are left out."""
        there = np.isfinite(low) & np.isfinite(high)
        for part in np.split(np.arange(len(x)), np.flatnonzero(np.diff(there.astype(int))) + 1):
            if len(part) > 1 and there[part[0]]:
                around = np.concatenate((part, part[::-1]))
                edge = np.concatenate((high[part], low[part[::-1]]))
                self._add("path", d=f"{_path(x[around], edge)}Z", paint=ink, opacity=opacity)

    def segment(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        ink: str = INK,
        width_px: float = 1.0,
        dash: str = "",
    ) -> None:
        """A straight stroke between two places."""
        (x1, y1), (x2, y2) = start, end
        d = f"M{px(x1)} {px(y1)}L{px(x2)} {px(y2)}"
        self._add("path", d=d, fill="none", ink=ink, width_px=width_px, dash=dash)

    def strokes(
        self, lines: Sequence[tuple[float, float, float, float]], ink: str, width_px: float = 1.0
    ) -> None:
        """Many straight strokes (x1, y1, x2, y2) as one mark."""
        if lines:
            d = "".join(f"M{px(x1)} {px(y1)}L{px(x2)} {px(y2)}" for x1, y1, x2, y2 in lines)
            self._add("path", d=d, fill="none", ink=ink, width_px=width_px)

    def area(self, x: float, y: float, width: float, height: float, ink: str, opacity: float = 1.0) -> None:
        """A filled rectangle."""
        self._add("rect", x=px(x), y=px(y), width=px(width), height=px(height), paint=ink, opacity=opacity)

    def hatched(self, x: float, y: float, width: float, height: float, words: str = "") -> None:
        """A column in which there is nothing: hatched, with edges, never so narrow that it is not seen."""
        self._hatched = True
        if width < NARROWEST_PX:
            x, width = x - (NARROWEST_PX - width) / 2, NARROWEST_PX
        box = f'x="{px(x)}" y="{px(y)}" width="{px(width)}" height="{px(height)}"'
        inside = f"<title>{escape(words)}</title>" if words else ""
        self._marks.append(f'<rect {box} fill="url(#{self.name}-hatch)">{inside}</rect>')
        edges = [(x, y, x, y + height), (x + width, y, x + width, y + height)]
        self.strokes(edges, SOFT, 0.8)

    def dot(self, x: float, y: float, radius_px: float, ink: str, *, filled: bool) -> None:
        """A point, open or filled."""
        if filled:
            self._add("circle", cx=px(x), cy=px(y), r=px(radius_px), paint=ink)
        else:
            self._add("circle", cx=px(x), cy=px(y), r=px(radius_px), fill="none", ink=ink, width_px=1.0)

    def wall(self, x_from: float, x_to: float, y: float, *, up: bool, words: str) -> None:
        """A limit: a line with short strokes on the forbidden side, like a wall in a drawing."""
        self.segment((x_from, y), (x_to, y), INK, 1.2)
        rise = -4.0 if up else 4.0
        places = np.arange(x_from, x_to - 3.0, STROKE_PX)
        self.strokes([(x, y, x + 3.0, y + rise) for x in places.tolist()], INK, 0.7)
        self.text(x_from + 4, y + (14 if up else -6), words, ink=INK, size_px=SIZE_PX - 1)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: str = "start",
        ink: str = SOFT,
        size_px: float = SIZE_PX,
        bold: bool = False,
        upright: bool = False,
    ) -> None:
        """Words; `upright` turns them to read from below, for the name of an axis."""
        turned = f' transform="rotate(-90 {px(x)} {px(y)})"' if upright else ""
        weight = ' font-weight="600"' if bold else ""
        self._marks.append(
            f'<text x="{px(x)}" y="{px(y)}" class="f-{ink}" fill="{COLOURS[ink]}" text-anchor="{anchor}"'
            f' font-size="{px(size_px)}"{weight}{turned}>{escape(words)}</text>'
        )

    def image(self, x: float, y: float, width: float, height: float, address: str) -> None:
        """A raster as a data address, its cells with hard edges."""
        self._marks.append(
            f'<image x="{px(x)}" y="{px(y)}" width="{px(width)}" height="{px(height)}" class="raster"'
            f' preserveAspectRatio="none" image-rendering="pixelated" href="{address}"/>'
        )

    def svg(self, title: str, description: str) -> str:
        """The whole picture as one SVG element with its name and what it shows in words."""
        ids = f"{self.name}-title {self.name}-words"
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="{ids}" class="picture"'
            f' viewBox="0 0 {px(self.width_px)} {px(self.height_px)}" width="{px(self.width_px)}"'
            f' height="{px(self.height_px)}" font-family={quoteattr(FACE)}>'
            f'<title id="{self.name}-title">{escape(title)}</title>'
            f'<desc id="{self.name}-words">{escape(description)}</desc>'
        )
        return head + (self._pattern() if self._hatched else "") + "".join(self._marks) + "</svg>"

    def _pattern(self) -> str:
        return (
            f'<defs><pattern id="{self.name}-hatch" width="5" height="5" patternUnits="userSpaceOnUse"'
            f' patternTransform="rotate(45)"><path d="M0 0V5" class="s-soft" stroke="{COLOURS[SOFT]}"'
            f' stroke-width="1.2"/></pattern></defs>'
        )

    def _add(
        self,
        tag: str,
        *,
        ink: str = "",
        paint: str = "",
        width_px: float = 0.0,
        dash: str = "",
        opacity: float = 1.0,
        **attributes: str,
    ) -> None:
        """A mark: `ink` is the colour of its stroke, `paint` of its area."""
        parts = [f'{name}="{value}"' for name, value in attributes.items()]
        if ink:
            parts.append(f'class="s-{ink}" stroke="{COLOURS[ink]}" stroke-width="{px(width_px)}"')
        if paint:
            parts.append(f'class="f-{paint}" fill="{COLOURS[paint]}"')
        if dash:
            parts.append(f'stroke-dasharray="{dash}"')
        if opacity < 1.0:
            parts.append(f'opacity="{round(opacity, 2)}"')
        self._marks.append(f"<{tag} {' '.join(parts)}/>")


def _path(x: Float64s, y: Float64s) -> str:
    """Points (n,) as path data; not a number lifts the pen."""
    there = (np.isfinite(x) & np.isfinite(y)).tolist()
    parts, down = [], False
    for good, across, along in zip(there, x.tolist(), y.tolist(), strict=True):
        if good:
            parts.append(f"{'L' if down else 'M'}{px(across)} {px(along)}")
        down = good
    return "".join(parts)
