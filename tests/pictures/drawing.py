"""Pictures read back: every mark of an SVG as an element, and what must hold of any of them."""

import re
from collections.abc import Iterator
from xml.etree import ElementTree

from nightturn.pictures.picture import Picture

SVG = "{http://www.w3.org/2000/svg}"
ADDRESS = re.compile(r"(?:https?:)?//|url\((?!#)|javascript:", re.IGNORECASE)


def parsed(picture: Picture) -> ElementTree.Element:
    """The picture as a tree."""
    return ElementTree.fromstring(picture.svg)


def texts(picture: Picture) -> list[str]:
    """Every word on the picture."""
    return [each.text or "" for each in parsed(picture).iter(f"{SVG}text")]


def points(picture: Picture, ink: str) -> list[list[tuple[float, float]]]:
    """The points of every line in one colour, a list a stroke of the pen."""
    found = []
    for path in parsed(picture).iter(f"{SVG}path"):
        if path.get("class") == f"s-{ink}":
            found += list(_strokes(path.get("d", "")))
    return found


def _strokes(d: str) -> Iterator[list[tuple[float, float]]]:
    for part in d.split("M")[1:]:
        pairs = part.replace("Z", "").split("L")
        yield [(float(x), float(y)) for x, y in (pair.split() for pair in pairs)]


def check_any(picture: Picture) -> None:
    """What holds of every picture: named, described, tabled, and nothing that a strict page refuses."""
    tree = parsed(picture)
    assert tree.get("role") == "img"
    named = [tree.find(f"{SVG}title"), tree.find(f"{SVG}desc")]
    assert all(each is not None and each.text for each in named)
    assert {each.get("id") for each in named if each is not None} == set(
        (tree.get("aria-labelledby") or "").split()
    )
    assert "style=" not in picture.svg
    assert "<script" not in picture.svg
    assert not ADDRESS.search(picture.svg.replace('xmlns="http://www.w3.org/2000/svg"', ""))
    assert all(len(row) == len(picture.head) for row in picture.rows)
    assert not re.search(r"\bnan\b|\binf\b", picture.svg)
    assert not any(re.search(r"\bnan\b|\binf\b", cell) for row in picture.rows for cell in row)
