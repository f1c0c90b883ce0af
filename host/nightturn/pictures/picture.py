"""What every picture is beside its lines: a title, a sentence made of its numbers, and these numbers as a table."""

from dataclasses import dataclass

ROWS_MAX = 60
"""Of a table beside a picture: who needs every value reads the datasets."""


@dataclass(frozen=True, slots=True)
class Picture:
    """One drawing.

    Attributes:
        name: unique within a page. title: its heading.
        caption: how it is read, for the eye; description: what it shows, in words with numbers, for who cannot see it.
        svg: one SVG element.
        head, rows: its values as a table, each row as long as the head.
    """

    name: str
    title: str
    caption: str
    description: str
    svg: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def thinned(count: int, most: int = ROWS_MAX) -> list[int]:
    """Positions of at most so many rows of `count`, evenly, the first and the last among them."""
    if count <= most:
        return list(range(count))
    return sorted({round(each * (count - 1) / (most - 1)) for each in range(most)})
