"""The one picture of a capture: a turn in both senses where there is one, else torque over time."""

from pathlib import Path

from nightturn.capture.found import Found
from nightturn.errors import StorageError
from nightturn.pictures.picture import Picture
from nightturn.pictures.trace import draw_trace
from nightturn.pictures.turn import Turned, draw_turn


def picture_of(found: Found) -> Picture:
    """The picture."""
    curves = found.curves
    _, _, friction, zero = found.lines
    if curves.forward_nm is not None and curves.back_nm is not None:
        return draw_turn(
            Turned(curves.forward_nm, curves.back_nm),
            None,
            friction_nm=friction.value_nm,
            zero_nm=zero.value_nm,
            cogging_order=curves.cogging_order,
            when="the capture",
            foot="angle from the capture's zero",
        )
    return draw_trace(
        curves.time_s,
        curves.torque_nm,
        friction_nm=friction.value_nm,
        zero_nm=zero.value_nm,
        turned_s=curves.turned_s,
    )


def write_picture(path: Path, picture: Picture) -> None:
    """Write it as an SVG file, whole or not at all.

    Raises:
        StorageError: it cannot be written.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_text(f'<?xml version="1.0" encoding="UTF-8"?>\n{picture.svg}\n', "utf-8")
        temporary.replace(path)
    except OSError as error:
        raise StorageError(
            f"{path} cannot be written: {error.strerror or error}; choose another place with --out"
        ) from error
