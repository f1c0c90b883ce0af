"""Could it be the rig: what shunt check, calibration, rig record, cogging, a reference unit and the other fixtures say."""

from collections.abc import Iterator, Sequence

from nightturn.calibration.due import until_text
from nightturn.errors import RunNotFoundError, StorageError
from nightturn.report.first_words import changed_lines
from nightturn.report.night import ReportNight
from nightturn.sentences.names import isolated
from nightturn.storage.runs import RunSummary
from nightturn.storage.zones import local_text
from nightturn.trend.wording import short
from nightturn.unit_history.account import Account, account_of
from nightturn.unit_history.life import COLUMNS
from nightturn.unit_history.nights import nights_of
from nightturn.unit_history.reference import chart_words, reference

OTHERS_MAX = 8
"""Other fixtures of the same night that are asked whether they changed as well."""
OTHERS = "the other fixtures"


def rig_rows(
    night: ReportNight, others: Sequence[RunSummary], reference_unit: str
) -> tuple[tuple[str, str], ...]:
    """What speaks for or against the rig as the cause, a row each."""
    checks = [each.detail for each in night.events if each.kind == "shunt_check"]
    return (
        ("shunt check", "; ".join(checks) or "no shunt check in this run"),
        ("calibration", calibration_words(night)),
        ("rig record", _record(night)),
        ("cogging", _still(night.life, "cogging_pp_nm")),
        ("reference unit", "; ".join(_reference(night, reference_unit))),
        (OTHERS, _others(night, others)),
    )


def calibration_words(night: ReportNight) -> str:
    """`record cal-1 of TR-204, certificate 4711, in force from 2026-01-12, valid until 2027-01-12`, as it was when the run began."""
    record = night.settings.calibration
    parts = [f"record {record.id} of {record.transducer}"]
    parts += [f"certificate {record.certificate}"] if record.certificate else []
    parts += [f"in force from {record.valid_from.date().isoformat()}"]
    validity = until_text(record, night.summary.started_utc)
    return ", ".join([*parts, validity or "no end of its validity is on record"])


def _record(night: ReportNight) -> str:
    record = night.settings.rig_record
    if record is None:
        return "none: drive and bearings of the rig are in the figures"
    return f"figures are net of {record.source}, in force from {record.valid_from.date().isoformat()}, where they say so"


def _reference(night: ReportNight, serial: str) -> Iterator[str]:
    """How the charts of a reference unit on this fixture stood when the run began."""
    fixture, root = night.run.fixture, night.run.stored.local
    if not serial or root is None:
        yield "none was asked; --reference-unit SERIAL names one"
        return
    try:
        nights, unread = nights_of(root, serial, COLUMNS)
    except RunNotFoundError:
        yield f"{isolated(serial)} was never measured here"
        return
    except StorageError as error:
        yield str(error)
        return
    begun_ns = int(night.summary.started_utc.timestamp() * 1e9)
    known = [each for each in nights if each.started_ts <= begun_ns]
    charts = [each for each in reference(serial, known, unread).charts if each.rig == fixture]
    if not charts:
        yield f"{isolated(serial)} was not measured on {fixture} before"
    for each in charts:
        yield f"{isolated(serial)}, {each.title}: {chart_words(each)}"


def _still(life: Account | None, figure: str) -> str:
    """Cogging is of the magnets: where it stays and friction moves, factor and gain of the torque channel have stayed too."""
    lines = (
        [line for line in life.courses if line.figure == figure and line.judged] if life is not None else []
    )
    if not lines:
        return "too few cycles to say whether it changed"
    moved = [line for line in lines if line.changed_ts is not None]
    if moved:
        return f"{moved[0].title} {moved[0].said[0]}"
    return f"no change was found, {lines[0].level_text}; so factor and gain of the torque channel have stayed as well"


def _course_of(found: Account) -> str:
    """Whether a unit beside it changed and since when; a figure of which too little is known is no figure that stayed."""
    changed = changed_lines(found)
    if changed:
        since = short(local_text(changed[0].changed_ts or 0, found.timezone))
        return f"{changed[0].title} changed at {since}"
    seen = {line.title for line in found.courses if line.judged}
    few = ", ".join(dict.fromkeys(line.title for line in found.courses if line.title not in seen))
    if not seen:
        return "too few cycles to say whether anything changed"
    return f"no change was found, but there are too few cycles for {few}" if few else "no change was found"


def _others(night: ReportNight, others: Sequence[RunSummary]) -> str:
    """What the units beside it say, each by its runs up to that of this night."""
    root = night.run.stored.local
    if root is None or not others:
        return "no other fixture ran in this night"
    said = []
    for each in others[:OTHERS_MAX]:
        try:
            found = account_of(root, each.unit, until=each.run)
        except StorageError as error:
            said.append(f"{each.fixture}: {error}")
            continue
        said.append(f"{each.fixture} with {isolated(each.unit)}: {_course_of(found)}")
    left = len(others) - len(said)
    return "; ".join(said) + (f"; {left} more were not looked at" if left > 0 else "")
