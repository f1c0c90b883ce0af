"""Whether a pack is as it was made: every file by its checksum, and its samples and gaps by what its manifest says. Nothing is unpacked."""

import hashlib
import io
import re
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path

import msgspec
import pyarrow as pa
import pyarrow.csv as pc
import pyarrow.parquet as pq

from nightturn.errors import StorageError
from nightturn.export.packed import MANIFEST, PART_BYTES, SCHEMA, SUMS, PackManifest
from nightturn.export.pieces import gaps_text

FILES_MAX = 1000
BYTES_MAX = 1 << 40
SMALL_BYTES_MAX = 64 << 20
"""Of what is read into memory: manifest, list and gaps."""
_LINE = re.compile(r"([0-9a-f]{64}) [ *]([^/\\\0\n]+)")
UNREADABLE = (zipfile.BadZipFile, OSError, EOFError, RuntimeError, ValueError)
"""What zipfile raises on one that is damaged, or in a way that it does not read."""


class PackProblem(msgspec.Struct, frozen=True):
    """Something that is not as it was made: the file, and a sentence."""

    path: str
    detail: str


class PackReport(msgspec.Struct, frozen=True, kw_only=True):
    """What was found in a pack.

    Attributes:
        path: of the zip. manifest: what it says of itself, where that can be read.
        files, bytes: that agree with their checksums.
        sums_sha256: of the list of checksums; the pack is the maker's only where the maker names the same.
        problems: everything that is wrong.
    """

    path: str
    manifest: PackManifest | None
    files: int
    bytes: int
    sums_sha256: str
    problems: tuple[PackProblem, ...]

    @property
    def ok(self) -> bool:
        """Whether every file is as it was made."""
        return not self.problems


def is_pack(path: str) -> bool:
    """Whether a path is a zip rather than a data root."""
    return path.endswith(".zip") and Path(path).is_file()


def checked_pack(path: Path) -> PackReport:
    """Read a pack back, every file of it.

    Raises:
        StorageError: it is no zip that can be read at all.
    """
    try:
        with zipfile.ZipFile(path) as opened:
            return _Check(str(path), opened).report()
    except UNREADABLE as problem:
        raise StorageError(f"{path} is no pack that can be read: {problem}") from problem


class _Check:
    """One pass over a pack."""

    def __init__(self, path: str, opened: zipfile.ZipFile) -> None:
        self._path, self._zip = path, opened
        self._problems: list[PackProblem] = []
        self._whole: dict[str, int] = {}  # name and bytes of each file that agrees

    def report(self) -> PackReport:
        """Run all checks."""
        found = self._files()
        sums, digest = self._sums(found)
        for name, entry in found.items():
            if name != SUMS:
                self._compare(name, entry, sums.get(name))
        for name in sums:
            if name not in found:
                self._problem(name, f"is absent; {SUMS} lists it")
        manifest = self._manifest(found)
        if manifest is not None:
            self._samples(found, manifest)
        return PackReport(
            path=self._path,
            manifest=manifest,
            files=len(self._whole),
            bytes=sum(self._whole.values()),
            sums_sha256=digest,
            problems=tuple(self._problems),
        )

    def _problem(self, path: str, detail: str) -> None:
        self._problems.append(PackProblem(path, detail))

    def _files(self) -> Mapping[str, zipfile.ZipInfo]:
        """The files of the one folder, by name; what lies elsewhere, or twice, is a problem.

        Raises:
            ValueError: they are more, or larger, than any pack.
        """
        entries = [each for each in self._zip.infolist() if not each.is_dir()]
        if len(entries) > FILES_MAX or sum(each.file_size for each in entries) > BYTES_MAX:
            raise ValueError("it has more files, or larger ones, than a pack")
        found: dict[str, zipfile.ZipInfo] = {}
        tops = sorted({each.filename.partition("/")[0] for each in entries})
        for each in entries:
            top, _, name = each.filename.partition("/")
            if top != tops[0] or not name or "/" in name or "\\" in each.filename or top in {".", ".."}:
                self._problem(each.filename, "lies outside the folder of the pack")
            elif name in found:
                self._problem(name, "is there twice")
            else:
                found[name] = each
        return found

    def _sums(self, found: Mapping[str, zipfile.ZipInfo]) -> tuple[dict[str, str], str]:
        content = self._small(found, SUMS)
        if content is None:
            return {}, ""
        sums: dict[str, str] = {}
        for number, line in enumerate(content.decode("utf-8", "replace").splitlines(), start=1):
            match = _LINE.fullmatch(line)
            if match is None or match[2] in sums:
                self._problem(
                    SUMS, f"line {number} is no checksum of a file, or of one that was listed before"
                )
            else:
                sums[match[2]] = match[1]
        return sums, hashlib.sha256(content).hexdigest()

    def _small(self, found: Mapping[str, zipfile.ZipInfo], name: str) -> bytes | None:
        entry = found.get(name)
        if entry is None:
            self._problem(name, "is absent")
            return None
        if entry.file_size > SMALL_BYTES_MAX:
            self._problem(name, "is larger than such a file may be")
            return None
        try:
            return self._zip.read(entry)
        except UNREADABLE as problem:
            self._problem(name, f"cannot be read: {problem}")
            return None

    def _compare(self, name: str, entry: zipfile.ZipInfo, wanted: str | None) -> None:
        if wanted is None:
            self._problem(name, f"is in no line of {SUMS}")
            return
        digest = hashlib.sha256()
        try:
            with self._zip.open(entry) as content:
                while part := content.read(PART_BYTES):
                    digest.update(part)
        except UNREADABLE as problem:
            self._problem(name, f"cannot be read: {problem}")
            return
        if digest.hexdigest() != wanted:
            self._problem(name, f"is not the file that {SUMS} lists: its SHA-256 is another")
            return
        self._whole[name] = entry.file_size

    def _manifest(self, found: Mapping[str, zipfile.ZipInfo]) -> PackManifest | None:
        content = self._small(found, MANIFEST)
        if content is None:
            return None
        try:
            manifest = msgspec.json.decode(content, type=PackManifest)
        except (msgspec.DecodeError, UnicodeDecodeError) as problem:
            self._problem(MANIFEST, f"is none of a pack: {problem}")
            return None
        if manifest.schema > SCHEMA:
            self._problem(MANIFEST, f"is of schema {manifest.schema}; this nightturn reads {SCHEMA}")
            return None
        return manifest

    def _samples(self, found: Mapping[str, zipfile.ZipInfo], manifest: PackManifest) -> None:
        """Rows of samples and gaps against what the manifest says."""
        for name, wanted, what in (
            (manifest.samples_file, manifest.samples, "rows of samples"),
            (manifest.gaps_file, manifest.gaps, "rows of gaps"),
        ):
            if name not in self._whole:
                if name not in found:
                    self._problem(name, f"is absent; {MANIFEST} names it")
                continue
            try:
                rows = self._rows(found[name])
            except (pa.ArrowException, *UNREADABLE) as problem:
                self._problem(name, f"cannot be read: {problem}")
                continue
            if rows != wanted:
                self._problem(name, f"has {rows} {what}, {MANIFEST} says {wanted}")

    def _rows(self, entry: zipfile.ZipInfo) -> int:
        with self._zip.open(entry) as content:
            if entry.filename.endswith(".parquet"):
                return pq.read_metadata(content).num_rows
            return pc.read_csv(io.BytesIO(content.read(SMALL_BYTES_MAX))).num_rows


def pack_lines(report: PackReport) -> Iterator[str]:
    """What is said of a pack; a line for each problem is indented."""
    manifest = report.manifest
    if manifest is not None:
        gaps = gaps_text(manifest.missing, manifest.gaps)
        yield f"pack of {manifest.unit}, {manifest.fixture} {manifest.run}: {manifest.samples} samples, {gaps}"
    yield f"files that agree with their checksums: {report.files}"
    for each in report.problems:
        yield f"  {each.path}: {each.detail}"
    if report.sums_sha256:
        yield f"SHA-256 of {SUMS}: {report.sums_sha256}"
    yield (
        f"every file is as {SUMS} says; that the list is the maker's, only its SHA-256 shows"
        if report.ok
        else "the pack is not as it was made"
    )
