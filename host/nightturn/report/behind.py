"""What stands behind a report: calibration, budget, versions, checksums of every file."""

from collections.abc import Iterator

import pandas as pd

from nightturn.errors import StorageError
from nightturn.estimation.figures import FIGURES
from nightturn.model.figures import INTERVAL_IS
from nightturn.model.quantities import bytes_text, scientific
from nightturn.model.rows import BUDGET
from nightturn.report.night import ReportNight
from nightturn.report.rig_words import calibration_words
from nightturn.storage.tree import DATASETS

BUDGET_HEAD = ("figure", "line", "standard uncertainty", "common", "known from")
FILES_HEAD = ("dataset: file", "size", "CRC-32C")
FILES_MAX = 2000


def facts(night: ReportNight) -> tuple[tuple[str, str], ...]:
    """Rows of name and words."""
    return tuple(_facts(night))


def _facts(night: ReportNight) -> Iterator[tuple[str, str]]:
    manifest, settings = night.manifest, night.settings
    yield (
        "run",
        f"{night.run.run} of {night.run.fixture}, {night.summary.state}: {night.summary.reason or 'no reason recorded'}",
    )
    yield "transducer", settings.fixture.transducer.serial or "not named"
    yield "calibration", calibration_words(night)
    kinds = sorted({each.kind for each in night.verdict.limits}) if night.verdict is not None else []
    if kinds:
        yield "±", "; ".join(INTERVAL_IS[each] for each in kinds)
    yield (
        "nightturn",
        f"{manifest.host_version or 'not recorded'}, wire {manifest.wire_version or 'not recorded'}",
    )
    for device in manifest.devices[-1:]:
        yield "device", f"firmware {device.firmware}"
    methods = {
        name.removesuffix("_method"): int(night.cycles[name].iloc[-1])
        for name in night.cycles.columns
        if name.endswith("_method") and len(night.cycles) and pd.notna(night.cycles[name].iloc[-1])
    }
    yield "figures", method_text(night)
    if methods:
        yield "methods", ", ".join(f"{name} {version}" for name, version in methods.items())
    if len(night.cycles):
        yield "SHA-256 of the last cycle's sums", str(night.cycles["sums_sha256"].iloc[-1])


def method_text(night: ReportNight) -> str:
    """Whose figures a report shows."""
    if not night.method:
        return "as recorded; what `recompute` made of the same samples lies beside them"
    return (
        f"made again from the samples by `recompute`, method {night.method}, not as recorded; what changed and what it is consistent "
        "with is said of the recorded ones"
    )


def budget_rows(night: ReportNight) -> tuple[tuple[str, ...], ...]:
    """The uncertainty budget of the last complete cycle, for the figures that have a limit."""
    try:
        lines = night.run.frame(BUDGET, reanalysis=night.method or None)
    except StorageError:
        return ()
    figures = {each.figure for each in night.verdict.limits} if night.verdict is not None else set()
    lines = lines[lines["figure"].isin(figures & set(FIGURES))]
    if not len(lines):
        return ()
    last = lines[lines["cycle_no"] == lines["cycle_no"].max()]
    return tuple(
        (
            FIGURES[row.figure].spoken,
            row.line,
            f"{scientific(float(row.u))} {FIGURES[row.figure].unit}",
            "common" if row.common else "own",
            row.source,
        )
        for row in last.itertuples()
    )


def files(night: ReportNight) -> tuple[tuple[tuple[str, ...], ...], str, str]:
    """Every file of the run with its checksum; the folder below each dataset's; and a sentence where they are too many to list."""
    rows: list[tuple[str, ...]] = []
    total, folder = 0, ""
    for dataset in DATASETS:
        for each in night.run.chunks(dataset):
            total += 1
            if len(rows) < FILES_MAX:
                folder, _, name = each.path.partition("/")[2].rpartition("/")
                rows.append(
                    (
                        f"{dataset}: {name}",
                        bytes_text(night.run.stored.size(each.path)),
                        f"{each.name.crc:08x}",
                    )
                )
    left = total - len(rows)
    return (
        tuple(rows),
        folder,
        f"{left} more are not listed; `nightturn verify` reads them all." if left else "",
    )
