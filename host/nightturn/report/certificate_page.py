"""A calibration record as one HTML file: what it says, what it rests on, who signed it and until when it holds."""

from collections.abc import Mapping, Sequence

from nightturn.calibration.records import CalibrationRecord, source_of
from nightturn.calibration.series import Calibrated, said
from nightturn.model.quantities import number, quantity
from nightturn.report.templates import rendered

OWN = "This is the record of whoever signed it, not a certificate of an accredited laboratory."
NO_CLASS = "No class of a standard is judged or claimed."
RESIDUALS = "residuals"


def certificate_page(
    record: CalibrationRecord,
    rows: Sequence[tuple[str, str]],
    found: Calibrated | None,
    parts_rel: Mapping[str, float],
    judged: str,
) -> str:
    """The page of a record.

    Args:
        record: as it was appended.
        rows: of the record, as they are printed.
        found: what the readings say; None for a record of an outside certificate.
        parts_rel: relative standard uncertainties of the factor by source.
        judged: the class by a person's file of limits; empty where none was given.
    """
    readings = [] if found is None else [row for row in said(found) if row[0] != RESIDUALS]
    residuals = () if found is None else found.residuals
    return rendered(
        "certificate.html",
        record=record,
        source=f"By {source_of(record)}.",
        rows=[("signed by", record.signed_by or "nobody"), *rows, *([("class", judged)] if judged else [])],
        budget=[(name, f"{number(100 * size, 2)} %") for name, size in parts_rel.items() if size],
        readings=readings,
        residuals=[(quantity(torque, "N·m"), f"{number(100 * left, 2)} %") for torque, left in residuals],
        no_class=OWN if judged else f"{OWN} {NO_CLASS}",
    )
