"""A batch as one HTML file: a dot a unit for each figure that the variant limits."""

import numpy as np

from nightturn.pictures.dots import Dot, draw_dots
from nightturn.pictures.orders import draw_orders
from nightturn.pictures.picture import Picture
from nightturn.report.batch import Batch, FigureOfBatch, figure_words, verdict_rows
from nightturn.report.reference import Reference, accepted_band, friction_words
from nightturn.report.templates import rendered

HEAD = ("unit", "fixture", "verdict", "nights")


def batch_page(batch: Batch, reference: Reference) -> str:
    """The page of a variant's units, with what the accepted ones say together."""
    return rendered(
        "batch.html",
        batch=batch,
        head=HEAD,
        units=verdict_rows(batch),
        figures=[(each.title, figure_words(each)) for each in batch.figures],
        envelope=friction_words(reference.friction) if reference.friction is not None else "",
        pictures=[*(_picture(place, each) for place, each in enumerate(batch.figures)), *_orders(reference)],
    )


def _picture(place: int, each: FigureOfBatch) -> Picture:
    dots = [Dot(unit.unit, unit.fixture, unit.value, unit.half, unit.outlying) for unit in each.values]
    return draw_dots(
        dots,
        title=each.title,
        unit=each.unit,
        limit=each.limit,
        upper=each.upper,
        expected=each.expected,
        name=f"dots-{place}",
    )


def _orders(reference: Reference) -> list[Picture]:
    """The orders of the accepted units, their mean between the two ends of the envelope."""
    found = reference.orders
    if found is None:
        return []
    units = f"{found.units} accepted unit{'' if found.units == 1 else 's'}"
    return [
        draw_orders(
            found.middle,
            np.empty(0),
            None,
            [],
            of=f"the hold of {units}",
            accepted=accepted_band(found),
            no_floor="Each is the mean of the units; small ones may be noise alone.",
        )
    ]
