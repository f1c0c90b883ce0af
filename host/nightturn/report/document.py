"""The report as one HTML text that needs nothing else: no script, no outside address, the same bytes for the same run."""

from collections.abc import Sequence

from nightturn.report import behind
from nightturn.report.drawn import drawn
from nightturn.report.first_page import LIMIT_HEAD, first_page
from nightturn.report.night import ReportNight
from nightturn.report.notes import notes
from nightturn.report.templates import rendered
from nightturn.storage.runs import RunSummary


def document(night: ReportNight, others: Sequence[RunSummary] = ()) -> str:
    """The whole report of a night.

    Args:
        night: the run that it is of.
        others: runs of other fixtures beside it, which are asked whether they changed as well.

    Raises:
        ConfigError: Jinja2 is not installed.
    """
    files, files_left = behind.files(night)
    return rendered(
        "page.html",
        page=first_page(night, others),
        drawn=drawn(night),
        causes=night.life.causes if night.life is not None else (),
        limit_head=LIMIT_HEAD,
        budget_head=behind.BUDGET_HEAD,
        budget=behind.budget_rows(night),
        facts=behind.facts(night),
        notes=notes(night),
        files_head=behind.FILES_HEAD,
        files=files,
        files_left=files_left,
    )


def file_name(night: ReportNight) -> str:
    """`report-Q-0121-20261127T230628Z-de03.html`: unit and night; a serial with other signs than those of a name loses them."""
    unit = "".join(
        each if (each.isalnum() and each.isascii()) or each in "-_." else "_" for each in night.unit
    )
    return f"report-{unit[:64]}-{night.run.run}.html"
