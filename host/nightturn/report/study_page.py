"""A study as one HTML file: every mounting as a dot, and whose the scatter is."""

from nightturn.pictures.dots import Dot, draw_dots
from nightturn.pictures.picture import Picture
from nightturn.report.study import FigureOfStudy, Study, component_rows, measuring_words
from nightturn.report.templates import rendered


def study_page(study: Study) -> str:
    """The page of a study as far as it has gone."""
    return rendered(
        "study.html",
        study=study,
        figures=[
            (each.title, component_rows(each), measuring_words(each), _picture(place, each))
            for place, each in enumerate(study.figures)
        ],
    )


def _picture(place: int, each: FigureOfStudy) -> Picture:
    dots = [
        Dot(f"{unit}, {operator}", rig, value, None, outlying=False)
        for unit, rig, operator, value in sorted(each.values)
    ]
    return draw_dots(
        dots,
        title=each.title,
        unit=each.unit,
        limit=None,
        upper=True,
        expected=None,
        name=f"study-{place}",
        each="mounting",
    )
