"""A run's pictures as a notebook shows them."""

from pathlib import Path
from xml.etree import ElementTree

import pytest
from replay_logs.make import Recorded

import nightturn
from nightturn.errors import StorageError


def test_a_picture_shows_itself_and_is_saved_as_svg(recorded: Recorded, tmp_path: Path) -> None:
    run = nightturn.open_run(recorded.root)
    drawing = run.picture.turn()
    svg = drawing._repr_svg_()
    assert ElementTree.fromstring(svg).tag.endswith("svg")
    assert "Torque over one turn" in repr(drawing)
    path = drawing.save(tmp_path / "pictures" / "turn.svg")
    assert ElementTree.parse(path).getroot().get("role") == "img"
    assert run.picture.night()._repr_svg_() != svg
    assert run.picture.orders().picture.name == "orders"


def test_what_cannot_be_drawn_says_why(recorded: Recorded) -> None:
    run = nightturn.open_run(recorded.root)  # shorter than an hour: nothing to compare its angles with
    with pytest.raises(
        StorageError,
        match=r"no picture 'map'\. Where friction has changed is not drawn: all cycles are of the first hour",
    ):
        run.picture.map()
