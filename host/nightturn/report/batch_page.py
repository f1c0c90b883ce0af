"""A batch as one HTML file: a dot a unit for each figure that the variant limits."""

from nightturn.pictures.dots import Dot, draw_dots
from nightturn.pictures.picture import Picture
from nightturn.report.batch import Batch, FigureOfBatch, figure_words, verdict_rows
from nightturn.report.templates import rendered

HEAD = ("unit", "fixture", "verdict", "nights")


def batch_page(batch: Batch) -> str:
    """The page of a variant's units."""
    return rendered(
        "batch.html",
        batch=batch,
        head=HEAD,
        units=verdict_rows(batch),
        figures=[(each.title, figure_words(each)) for each in batch.figures],
        pictures=[_picture(place, each) for place, each in enumerate(batch.figures)],
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
