"""Which sealed tape segments go, by age and bytes; kept runs never, and never a fixture's newest segment."""

from collections.abc import Sequence

from nightturn.errors import StorageError
from nightturn.storage.catalogue import Catalogue, SegmentEntry
from nightturn.storage.manifest import manifests
from nightturn.world import Files

MAX_AGE_NS = 7 * 86_400 * 1_000_000_000
MAX_BYTES = 40_000_000_000


def expired(
    segments: Sequence[SegmentEntry],
    kept: frozenset[tuple[str, str]],
    now_utc_ns: int,
    *,
    max_age_ns: int = MAX_AGE_NS,
    max_bytes: int = MAX_BYTES,
) -> list[SegmentEntry]:
    """The segments to delete, oldest first: past their age, or the oldest ones while the sum is over the bytes.

    Args:
        segments: oldest first.
        kept: (fixture, run) exempt.
        now_utc_ns: age is counted from a segment's start.
        max_age_ns: how long a segment stays.
        max_bytes: how much all of them together may take.
    """
    # The newest segment holds the fixture's last record number.
    by_number = sorted(segments, key=lambda segment: segment.record_first)
    newest = {segment.fixture: segment.path for segment in by_number}
    total = sum(segment.bytes for segment in segments)
    going: list[SegmentEntry] = []
    for segment in segments:
        if (segment.fixture, segment.run) in kept or newest[segment.fixture] == segment.path:
            continue
        if now_utc_ns - segment.started_utc_ns > max_age_ns or total > max_bytes:
            going.append(segment)
            total -= segment.bytes
    return going


def expire(
    files: Files,
    catalogue: Catalogue,
    now_utc_ns: int,
    *,
    max_age_ns: int = MAX_AGE_NS,
    max_bytes: int = MAX_BYTES,
    dry_run: bool = True,
) -> list[SegmentEntry]:
    """Delete the expired segments (catalogue first, then files), or with `dry_run` only name them.

    Raises:
        StorageError: a file cannot be deleted; the catalogue no longer names it, a rebuild finds it again.
        CorruptFileError: a manifest cannot be read, so it is not known which runs are kept.
    """
    kept = frozenset((manifest.fixture, manifest.run) for manifest in manifests(files) if manifest.kept)
    going = expired(catalogue.segments(), kept, now_utc_ns, max_age_ns=max_age_ns, max_bytes=max_bytes)
    if dry_run or not going:
        return going
    catalogue.forget_segments([segment.path for segment in going])
    for segment in going:
        try:
            files.remove(segment.path)
        except FileNotFoundError:
            continue
        except OSError as problem:
            raise StorageError(f"{segment.path}: {problem}") from problem
    return going
