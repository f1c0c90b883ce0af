"""The report as one HTML text that needs nothing else: no script, no outside address, the same bytes for the same run."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from nightturn.model.clocks import NS_PER_S
from nightturn.report import behind
from nightturn.report.attached import figures_json
from nightturn.report.drawn import drawn
from nightturn.report.first_page import LIMIT_HEAD, FirstPage, first_page
from nightturn.report.night import ReportNight
from nightturn.report.notes import notes
from nightturn.report.printed import pdf_of, unprintable
from nightturn.report.reference import Reference, cogging_order, reference_of
from nightturn.report.templates import rendered
from nightturn.storage.runs import RunSummary

PAPER_PX = 680.0
"""Width of a picture on A4 between its margins: its letters are as large as they were drawn."""


@dataclass(frozen=True, slots=True)
class Document:
    """A report: the night that it is of, what it is held against, its first page, what else it says, and the page."""

    night: ReportNight
    reference: Reference
    first: FirstPage
    content: Mapping[str, object]
    html: str


def document(
    night: ReportNight, others: Sequence[RunSummary] = (), accepted: Sequence[RunSummary] = ()
) -> Document:
    """The whole report of a night.

    Args:
        night: the run that it is of.
        others: runs of other fixtures beside it, which are asked whether they changed as well.
        accepted: runs of accepted units, of which the reference envelope is made.

    Raises:
        ConfigError: Jinja2 is not installed.
    """
    reference = envelope_of(night, accepted)
    first = first_page(night, others, reference)
    content = _content(night, first)
    return Document(night, reference, first, content, _page(night, reference, content))


def pdf(found: Document) -> bytes:
    """A report as PDF, whose footer names the SHA-256 of the HTML; the errors are those of `printed.pdf_of`."""
    night = found.night
    paper = {
        "sha256": hashlib.sha256(found.html.encode()).hexdigest(),
        "unprintable": unprintable(found.html),
    }
    name = file_name(night).removesuffix(".html").replace("report-", "figures-", 1) + ".json"
    page = _page(night, found.reference, found.content, PAPER_PX, paper)
    return pdf_of(page, figures_json(night), name=name, at=_at(night))


def envelope_of(night: ReportNight, accepted: Sequence[RunSummary]) -> Reference:
    """What runs of accepted units lead to expect of a night; of nothing where it does not lie on a disk."""
    root = night.run.stored.local
    if root is None:
        return Reference({})
    return reference_of(root, accepted, night.settings.fixture.plan, cogging_order(night.settings.variant))


def _content(night: ReportNight, first: FirstPage) -> Mapping[str, object]:
    """What the page says, but for its pictures."""
    files, folder, files_left = behind.files(night)
    return {
        "page": first,
        "created": _at(night).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "causes": night.life.causes if night.life is not None else (),
        "limit_head": LIMIT_HEAD,
        "budget_head": behind.BUDGET_HEAD,
        "budget": behind.budget_rows(night),
        "facts": behind.facts(night),
        "notes": notes(night),
        "files_head": behind.FILES_HEAD,
        "files": files,
        "folder": folder,
        "files_left": files_left,
    }


def _page(
    night: ReportNight,
    reference: Reference,
    content: Mapping[str, object],
    width_px: float = 920,
    paper: Mapping[str, str] | None = None,
) -> str:
    return rendered("page.html", drawn=drawn(night, width_px, reference), paper=paper, **content)


def _at(night: ReportNight) -> datetime:
    """The date of the report: when the run ended, since no clock is read."""
    return datetime.fromtimestamp(night.over[1] // NS_PER_S, UTC)


def file_name(night: ReportNight) -> str:
    """`report-Q-0121-20261127T230628Z-de03.html`: unit and night; a serial with other signs than those of a name loses them."""
    unit = "".join(
        each if (each.isalnum() and each.isascii()) or each in "-_." else "_" for each in night.unit
    )
    made = f"-{night.method}" if night.method else ""
    return f"report-{unit[:64]}-{night.run.run}{made}.html"
