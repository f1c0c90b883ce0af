"""The readable guide beside an export: whose samples, from when to when, every column with its unit, every gap, and what the numbers do not say."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pyarrow as pa
import pyarrow.csv as pc

from nightturn.calibration.records import CalibrationRecord, in_force, parse, source_of
from nightturn.export.columns import COLUMNS, GAP
from nightturn.export.pieces import Hole, Totals, gaps_text
from nightturn.export.stretch import Stretch
from nightturn.export.tables import OPTIONS, hole_text
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import fixed
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.parquet import TS
from nightturn.storage.scales import settings_of

GAPS_SHOWN_MAX = 50
_GAP_COLUMNS: list[tuple[str, pa.DataType]] = [
    ("cause", pa.string()),
    ("from (UTC)", TS),
    ("to (UTC)", TS),
    ("length (s)", pa.string()),
    ("missing samples", pa.int64()),
    ("counted by the device", pa.bool_()),
    ("epoch", pa.int32()),
    ("began before the stretch", pa.bool_()),
]
GAPS = pa.schema(_GAP_COLUMNS)
NO_GAP = "There is no gap: every sample that the device numbered in this stretch is in the file."
NOT_WHOLE = "No gap is on record, yet what is named above as not whole is not in the file."
CAUTION = (
    "Samples carry no ±: uncertainty belongs to figures, and the report has them. Nothing here says that a rig is safe: emergency stop, guards and "
    "safe torque off belong in certified hardware."
)
LEFT_OUT = {"mdf4": ("ts", "t_s"), "parquet": ("t_s",)}
"""Columns that a kind of file has in another way."""
FORMATS = {
    "csv": "Rows are in order of time, with a point for the decimals, commas between columns and one line of heads (RFC 4180), UTF-8. A row "
    "without values is a gap: its time is where samples begin to be missing, its last column says why and how many.",
    "parquet": "Rows are in order of time. A gap has no row: the segment changes behind it, and the file of gaps beside this one lists each.",
    "mdf4": "ASAM MDF 4.10, written by asammdf. Times are seconds from the first sample on, which the file's start time and comment give. The "
    "group `samples` has one channel a column below; a gap has no sample: the segment changes behind it, and the group `gaps` lists each.",
    "wav": "Torque as sound, 16 bit, one channel, at the rate of the samples. The file .wav.json gives offset and scale, by which torque comes "
    "back from the values to half a step. A gap is silent, and silence is no measured torque; the same file lists where.",
}


def guide(stretch: Stretch, kind: str, name: str, totals: Totals) -> str:
    """The guide of a file, Markdown."""
    return "\n".join(_lines(stretch, kind, name, totals)) + "\n"


def _lines(stretch: Stretch, kind: str, name: str, totals: Totals) -> Iterator[str]:
    summary = stretch.summary
    yield f"# {name}"
    yield ""
    unit, variant = (" ".join(each.split()) or "not known" for each in (summary.unit, summary.variant))
    yield f"Unit {unit}, variant {variant}, fixture {summary.fixture}, run {summary.run}."
    yield ""
    yield f"- from {stretch.local(totals.first_ts)} to {stretch.local(totals.last_ts)} by the clocks of {stretch.zone}"
    yield f"- asked for: {'the whole run' if stretch.whole else _asked(stretch)}"
    yield f"- samples: {totals.samples}; {gaps_text(totals.missing, len(totals.holes))}"
    yield "- times in the file are UTC; a time in this guide has its offset"
    yield f"- torque and angle: {_calibration(stretch)}"
    if summary.redated:
        yield f"- {summary.redated}"
    for remark in stretch.remarks:
        yield f"- not whole: {remark}"
    yield ""
    yield f"{FORMATS[kind]}"
    yield ""
    if kind != "wav":
        yield from _columns(kind)
    yield from _gaps(stretch, totals)
    yield CAUTION


def _asked(stretch: Stretch) -> str:
    return f"{stretch.local(stretch.start_ns)} to before {stretch.local(stretch.stop_ns)}"


def _calibration(stretch: Stretch) -> str:
    settings = settings_of(stretch.manifest)
    sense = (
        f"positive is {settings.transducer.positive}" if settings is not None else "their sense is not known"
    )
    if stretch.calibration == "current" and settings is not None and (now := _record_now(stretch, settings)):
        return f"by record {now.id} ({source_of(now)}), which holds for the begin of the stretch as known at the export; {sense}"
    return f"by the scale in force when they were recorded, at the run's begin that of {_record_then(stretch)}; {sense}"


def _record_now(stretch: Stretch, settings: FixtureSettings) -> CalibrationRecord | None:
    """The record that `current` takes; None where there is no file of records, and the recorded scale is the current one."""
    path = f"calibrations/{settings.transducer.serial}.jsonl"
    try:
        text = stretch.run.stored.read(path).decode()
    except FileNotFoundError:
        return None
    at = datetime.fromtimestamp(stretch.start_ns // NS_PER_S, UTC)
    return in_force(parse(text, where=path), at)


def _record_then(stretch: Stretch) -> str:
    try:
        record = msgspec.json.decode(stretch.manifest.calibration, type=CalibrationRecord)
    except msgspec.DecodeError:
        return "a record that is not known"
    return f"record {record.id} ({source_of(record)})"


def _columns(kind: str) -> Iterator[str]:
    yield "| column | unit | what |"
    yield "|---|---|---|"
    for each in (*COLUMNS, *((GAP,) if kind == "csv" else ())):
        name = each.head if kind == "csv" else each.name
        if each.name not in LEFT_OUT.get(kind, ()):
            yield f"| {name} | {each.unit or '1'} | {each.meaning} |"
    yield ""


def _gaps(stretch: Stretch, totals: Totals) -> Iterator[str]:
    if not totals.holes:
        yield NOT_WHOLE if stretch.remarks else NO_GAP
        yield ""
        return
    yield "Gaps:"
    yield ""
    for hole in totals.holes[:GAPS_SHOWN_MAX]:
        yield f"- {stretch.local(hole.from_ts)}: {hole_text(hole, stretch)}"
    left = len(totals.holes) - GAPS_SHOWN_MAX
    if left > 0:
        yield f"- {left} more, in the file of gaps"
    yield ""


def write_gaps(path: Path, holes: Sequence[Hole]) -> None:
    """Every gap as a row of CSV; only the heads where there is none."""
    rows = [
        {
            "cause": each.cause,
            "from (UTC)": each.from_ts,
            "to (UTC)": each.to_ts,
            "length (s)": fixed((each.to_ts - each.from_ts) / NS_PER_S, 9),
            "missing samples": each.missing,
            "counted by the device": each.exact,
            "epoch": each.epoch,
            "began before the stretch": each.before,
        }
        for each in holes
    ]
    with pc.CSVWriter(path, GAPS, write_options=OPTIONS) as writer:
        writer.write_table(pa.Table.from_pylist(rows, schema=GAPS))
