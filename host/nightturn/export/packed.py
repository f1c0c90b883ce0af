"""A pack for a customer: report, samples, guide, gaps, manifest and checksums as one zip, which can be checked without us.

`sha256sum -c SHA256SUMS` in the unpacked folder compares every file but that one, which the sum that is printed and sent by another way covers.
"""

import hashlib
import zipfile
from pathlib import Path

import msgspec

from nightturn.errors import ConfigError
from nightturn.export.pieces import Totals
from nightturn.export.stretch import Stretch
from nightturn.export.written import Exported, base_name, exported, names_of, placed, write_stretch
from nightturn.report.written import write_reports
from nightturn.sentences.purpose import purpose_reasons, purpose_word
from nightturn.storage.manifest import ENDED
from nightturn.storage.runs import RunSummary
from nightturn.version import VERSION

SCHEMA = 1
SUMS, MANIFEST, README = "SHA256SUMS", "manifest.json", "README.txt"
SAMPLES = "parquet"
PART_BYTES = 1 << 20
STORED = frozenset({".parquet"})
"""Compressed already."""
BEGIN = (1980, 1, 1, 0, 0, 0)  # the earliest time of a zip: the same run gives the same bytes
MODE = 0o644 << 16


class PackManifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a pack says of itself.

    Attributes:
        schema: of this file. nightturn: the version that made the pack.
        verdict: of the night, by its limits; empty where there is none. purpose: release, or engineering, and why.
        samples, missing, gaps: of `samples_file`; first_ts, last_ts: of its samples, ns since 1970 UTC.
        calibration: id of the record with which the run was opened.
    """

    schema: int = SCHEMA
    nightturn: str
    unit: str
    variant: str
    fixture: str
    run: str
    started_utc: str
    timezone: str
    verdict: str
    purpose: str = ""
    engineering_because: tuple[str, ...] = ()
    calibration: str
    samples_file: str
    gaps_file: str
    samples: int
    missing: int
    gaps: int
    first_ts: int
    last_ts: int


def pack(
    stretch: Stretch, runs: list[RunSummary], root: Path, folder: Path, *, overwrite: bool = False
) -> tuple[Exported, str]:
    """Write the pack of a run, and give the SHA-256 of its list of checksums.

    Args:
        stretch: the whole run, which has ended.
        runs: all that there are, for the report to see what ran beside.
        root: the data root.
        folder: for the zip.
        overwrite: over one of the same name.

    Raises:
        ConfigError: the run has not ended, less than all of it is asked for, or the extra `report` is not installed.
        StorageError: it has no sample, or the zip cannot be written.
    """
    summary = stretch.summary
    if summary.state != ENDED:
        allowed = "a run that has ended; the other kinds take a stretch of one that goes on"
        raise ConfigError(f"run {summary.run} is {summary.state}", where="--as pack", allowed=allowed)
    if not stretch.whole:
        raise ConfigError("is of a whole run", where="--as pack", allowed="no --from and no --until")
    name = f"pack-{base_name(stretch)}"
    with placed(folder, (f"{name}.zip",), overwrite=overwrite) as made:
        inside = made / name
        inside.mkdir()
        totals = write_stretch(stretch, SAMPLES, inside)
        for _ in write_reports(runs, [summary], root, inside):
            pass
        (inside / MANIFEST).write_bytes(_manifest(stretch, totals))
        (inside / README).write_text(_readme(stretch), "utf-8")
        sums = _sums(inside)
        (inside / SUMS).write_text(sums, "utf-8")
        _zip(inside, made / f"{name}.zip")
        for each in inside.iterdir():
            each.unlink()
        inside.rmdir()
    return exported(stretch, totals, folder, (f"{name}.zip",)), hashlib.sha256(sums.encode()).hexdigest()


def _manifest(stretch: Stretch, totals: Totals) -> bytes:
    summary, named = stretch.summary, names_of(stretch, SAMPLES)
    cards = msgspec.json.decode(stretch.manifest.calibration or "{}", type=dict[str, object])
    night = summary.night_verdict
    found = PackManifest(
        nightturn=VERSION,
        unit=summary.unit,
        variant=summary.variant,
        fixture=summary.fixture,
        run=summary.run,
        started_utc=summary.started_utc.isoformat(),
        timezone=summary.timezone,
        verdict=night.word if night is not None else "",
        purpose=purpose_word(night) if night is not None else "",
        engineering_because=purpose_reasons(night) if night is not None else (),
        calibration=str(cards.get("id", "")),
        samples_file=named.samples,
        gaps_file=named.gaps,
        samples=totals.samples,
        missing=totals.missing,
        gaps=len(totals.holes),
        first_ts=totals.first_ts,
        last_ts=totals.last_ts,
    )
    return msgspec.json.format(msgspec.json.encode(found), indent=2) + b"\n"


def _readme(stretch: Stretch) -> str:
    named = names_of(stretch, SAMPLES)
    files = (
        (
            "report-….html",
            "the report; any browser opens it, offline. It names the people who were at the rig, and shows its logbook with its photos.",
        ),
        (named.samples, "every sample, in N·m and radian"),
        (named.gaps, "every gap"),
        (named.guide, "what each column is"),
        (MANIFEST, "what this is, for programs"),
        (SUMS, "checksums of all the others"),
    )
    listed = "".join(f"{name}\n    {what}\n" for name, what in files)
    return (
        f"Unit {stretch.summary.unit}, run {stretch.summary.run}.\n\n{listed}\n"
        f"To check that no file was changed, in this folder:\n\n    sha256sum -c {SUMS}\n\n"
        f"Whoever changes a file may change {SUMS} as well. The maker of the pack has the SHA-256 of {SUMS}:\n"
        f"ask for it by another way than the one by which the pack came, and compare it with\n\n    sha256sum {SUMS}\n"
    )


def _sums(folder: Path) -> str:
    """A line a file, as sha256sum writes and reads it."""
    lines = []
    for each in sorted(folder.iterdir()):
        digest = hashlib.sha256()
        with each.open("rb") as content:
            while part := content.read(PART_BYTES):
                digest.update(part)
        lines.append(f"{digest.hexdigest()}  {each.name}\n")
    return "".join(lines)


def _zip(folder: Path, target: Path) -> None:
    with zipfile.ZipFile(target, "w") as made:
        for each in sorted(folder.iterdir()):
            entry = zipfile.ZipInfo(f"{folder.name}/{each.name}", BEGIN)
            entry.external_attr = MODE
            entry.compress_type = zipfile.ZIP_STORED if each.suffix in STORED else zipfile.ZIP_DEFLATED
            entry.file_size = each.stat().st_size
            with each.open("rb") as content, made.open(entry, "w") as inside:
                while part := content.read(PART_BYTES):
                    inside.write(part)
