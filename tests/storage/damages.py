"""A small recorded root, and every way in which one of its files may be spoilt."""

import itertools
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from crc32c import crc32c
from tests.storage.scenario import FIXTURE, RUN, rows_of_every_dataset
from tests.storage.store import Night, manifest, rig_settings

from nightturn.calibration.records import CalibrationRecord, encode_line
from nightturn.model.cards import MountCard
from nightturn.model.records import Tick
from nightturn.model.rows import GAPS
from nightturn.settings.load import append_card
from nightturn.settings.rig import Transducer
from nightturn.storage import paths, tree
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.manifest import write_manifest
from nightturn.storage.marking import keep

OTHER_RUN = "20261124T213000Z-00aa"
CARD = MountCard(unit="Q-0117", variant="pan15", operator="R. Vale", mounted_utc="2026-11-25T21:00:00Z")
RECORD = CalibrationRecord(
    id="TR-204/3", transducer="TR-204", factor_nm_per_v=4.0, valid_from=datetime(2026, 1, 1, tzinfo=UTC)
)
KINDS = ("deleted", "truncated", "flipped", "foreign", "renamed", "duplicated")


def recorded(root: Path, run: str = RUN, unit: str = CARD.unit) -> Path:
    """Two chunks with rows of every dataset in each, tape that waits, a card, a calibration record, and a person who keeps it."""
    card = msgspec.structs.replace(CARD, unit=unit)
    record = msgspec.structs.replace(RECORD, transducer=f"TR-{unit}")
    append_card(root, FIXTURE, card)
    calibration = root / "calibrations" / f"TR-{unit}.jsonl"
    calibration.parent.mkdir()
    calibration.write_text(encode_line(record))
    night = Night(root, run)
    rows = [row for row in rows_of_every_dataset() if row.dataset != GAPS]
    for _ in range(2):
        night.add_chunk(1000, leave_out=(3,), rows=rows)
    last = night.journal.next_record_no - 1
    night.journal.write([Tick(n, n) for n in range(50)])
    night.files.close()
    settings = msgspec.structs.replace(rig_settings(), transducer=Transducer(serial=f"TR-{unit}"))
    write_manifest(
        night.files,
        msgspec.structs.replace(
            manifest(run),
            rig=msgspec.json.encode(settings).decode(),
            card=msgspec.json.encode(card).decode(),
            calibration=msgspec.json.encode(record).decode(),
            chunk_last=2,
            record_last=last,
        ),
    )
    keep(root, run, 1, "R. Vale", "complaint 26-118")
    Catalogue(root).segments()
    return root


@dataclass(frozen=True)
class Roots:
    """A root to spoil, and one of another run to take foreign files from."""

    root: Path
    other: Path

    def file(self, what: str, root: Path | None = None) -> Path:
        """The newest file of its kind."""
        root = root or self.root
        patterns = {
            "manifest": "runs/*/*.json",
            "card": "mounts/*.jsonl",
            "calibration": "calibrations/*.jsonl",
            "marks": "runs/*/*.marks.jsonl",
            "retention log": "retention/log.jsonl",
            "open tape": "journal/*/*.ntj",
            "sealed tape": "journal/*/sealed/*.ntj",
            "catalogue": "catalogue.sqlite",
        }
        return max(root.glob(patterns.get(what, f"{what}/**/*.parquet")))

    def spoil(self, what: str, kind: str) -> Path:
        """Do it; what has to be named."""
        path = self.file(what)
        return DAMAGES[kind](self, what, path)


def _deleted(_roots: Roots, _what: str, path: Path) -> Path:
    path.unlink()
    return path


def _truncated(_roots: Roots, _what: str, path: Path) -> Path:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2 + 3])
    return path


def _flipped(_roots: Roots, _what: str, path: Path) -> Path:
    content = bytearray(path.read_bytes())
    # In a database some bytes are in no use: the run's id stands in its entries.
    at = content.rindex(RUN.encode()) if path.suffix == ".sqlite" else len(content) // 2
    content[at] ^= 1
    path.write_bytes(content)
    return path


def _foreign(roots: Roots, what: str, path: Path) -> Path:
    """The other root's file under this name, or under the name that its own content would have here."""
    content = roots.file(what, roots.other).read_bytes()
    name = paths.chunk_name(path.name)
    path.unlink()
    target = path if name is None else path.with_name(name._replace(crc=crc32c(content)).text)
    target.write_bytes(content)
    return target


def _other_name(path: Path) -> Path:
    name = paths.chunk_name(path.name)
    if name is not None:
        return path.with_name(name._replace(chunk_no=7).text)
    if path.suffix == ".ntj":
        return path.with_name("9" + path.name[1:])
    return path.with_name(f"{OTHER_RUN}.json")


def _renamed(_roots: Roots, _what: str, path: Path) -> Path:
    return path.rename(_other_name(path))


def _duplicated(_roots: Roots, _what: str, path: Path) -> Path:
    return Path(shutil.copy(path, _other_name(path)))


DAMAGES: dict[str, Callable[[Roots, str, Path], Path]] = {
    "deleted": _deleted,
    "truncated": _truncated,
    "flipped": _flipped,
    "foreign": _foreign,
    "renamed": _renamed,
    "duplicated": _duplicated,
}


def table() -> Iterator[tuple[str, str]]:
    """Every kind of file with every kind of damage that is one: a root without a catalogue gets one when it is asked."""
    yield from itertools.product((*tree.DATASETS, "manifest", "open tape", "sealed tape"), KINDS)
    yield from itertools.product(("card", "calibration", "marks", "retention log"), KINDS[:4])
    yield from itertools.product(("catalogue",), ("truncated", "flipped"))
