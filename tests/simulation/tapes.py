"""Tapes that stations in virtual time have written, as records."""

from pathlib import Path

from nightturn.model.records import Record
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.segment import Segment, read_segment


def segments_of(root: Path, fixture: str = "pan-a1") -> list[Segment]:
    """Every segment, sealed or not, in record order."""
    files = RealFiles(root)
    found = [
        read_segment(files.read(path), path)
        for folder in (paths.sealed_folder(fixture), paths.journal_folder(fixture))
        for path in tree.segments(files, folder)
    ]
    return sorted(found, key=lambda segment: segment.first_record_no)


def records_of(root: Path) -> list[Record]:
    """The records of all segments."""
    return [record for segment in segments_of(root) for _, record in segment.records()]
