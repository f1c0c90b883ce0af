"""The way in: reads `bench.toml`, variants and mount cards. The only file access of this room."""

import os
import re
import threading
import tomllib
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from zoneinfo import available_timezones

import msgspec

from nightturn.errors import ConfigError, CorruptFileError, SchemaVersionError, StorageError
from nightturn.model.cards import CARD_SCHEMA, CardVersion, MountCard
from nightturn.model.lines import checked, with_checksum
from nightturn.model.names import VARIANT_NAME
from nightturn.settings.mistakes import (
    Place,
    did_you_mean,
    listed,
    listed_once,
    raise_mistakes,
    shown,
)
from nightturn.settings.overrides import apply_override
from nightturn.settings.rig import UTC, BenchPart, Rig
from nightturn.settings.shape import shape_mistakes
from nightturn.settings.validate import card_mistakes, rig_mistakes, variant_mistakes, variant_name_rule
from nightturn.settings.variant import Variant

CARDS_LOCK = threading.RLock()  # a card file under a writer of this process is not taken for a damaged one
FILE_BYTES_MAX = (
    1 << 20
)  # nobody writes a megabyte of settings; a recording given by mistake is refused unread


def load_rig(
    path: Path,
    overrides: Sequence[str] = (),
    *,
    figures: Collection[str] | None = None,
    followed: Collection[str] | None = None,
) -> Rig:
    """Read a rig, apply `--set` overrides and check everything that a file alone can tell.

    Args:
        path: usually `bench.toml`.
        overrides: `table.key=value`, a fixture by its id: `fixture.pan-a1.rate_hz=1000`.
        figures: names of the figures that may be limited; None leaves the names of limits unchecked.
        followed: of those whose slope may be limited; None for all of them.

    Raises:
        ConfigError: with file, table, key, value and what is allowed; a `ManyMistakesError` when there are several.
    """
    table = read_toml(path)
    overridden = dict(apply_override(table, argument) for argument in overrides)
    place = Place(str(path), overridden=overridden)
    raise_mistakes(listed_once(shape_mistakes(table, Rig, place)))
    rig = msgspec.convert(table, Rig)
    raise_mistakes(
        rig_mistakes(
            rig,
            place,
            figures=figures,
            followed=followed,
            device_of=_device_of,
            time_zones=available_timezones,
        )
    )
    return rig


def load_variant(folder: Path, name: str, *, figures: Collection[str] | None = None) -> Variant:
    """Read `variants/<name>.toml` below the folder of `bench.toml`.

    Raises:
        ConfigError: as `load_rig`; an unknown variant names the ones there are.
    """
    if not VARIANT_NAME.fullmatch(name):
        raise ConfigError(
            f"{shown(name)} is not a variant's name", where="variant", allowed=variant_name_rule()
        )
    path = variant_path(folder, name)
    known = variant_names(folder)
    if name not in known and not path.exists():
        raise ConfigError(
            f"no variant {shown(name)}{did_you_mean(name, known)}",
            where=str(path.parent),
            allowed=listed(known),
        )
    table = read_toml(path)
    place = Place(str(path))
    raise_mistakes(listed_once(shape_mistakes(table, Variant, place)))
    variant = msgspec.convert({"name": name, **table}, Variant)
    raise_mistakes(variant_mistakes(variant, place, name=name, figures=figures))
    return variant


def variant_path(folder: Path, name: str) -> Path:
    """The file of a variant, from the folder of `bench.toml`."""
    return folder / "variants" / f"{name}.toml"


def variant_names(folder: Path) -> list[str]:
    """Sorted names of the variants beside `bench.toml`."""
    return sorted(path.stem for path in (folder / "variants").glob("*.toml"))


def variants_for(
    path: Path, rig: Rig, fixture: str, name: str = "", *, figures: Collection[str] | None = None
) -> list[Variant]:
    """The variants a fixture may meet: the one named, else the one mounted, else all beside `bench.toml`.

    Raises:
        ConfigError: no such variant, or none at all.
        StorageError: the mount card cannot be read.
    """
    card = None if name else read_card(data_root(path, rig), fixture)
    mounted = [card.variant] if card else variant_names(path.parent)
    names = [name] if name else mounted
    if not names:
        allowed = "at least one variants/<name>.toml with rated_torque_nm, pole_pairs and slots"
        raise ConfigError(
            "no variant file beside the rig file", where=str(path.parent / "variants"), allowed=allowed
        )
    return [load_variant(path.parent, each, figures=figures) for each in names]


def data_root(path: Path, rig: Rig) -> Path:
    """The folder for everything recorded: `bench.data`, relative to the folder of `bench.toml`."""
    return path.parent / rig.bench.data


def root_named(path: Path) -> Path:
    """As `data_root`, of a rig file that may have mistakes elsewhere: they must keep nobody from stopping a rig.

    Raises:
        ConfigError: the file cannot be read, or `bench.data` is no text.
    """
    part = read_toml(path).get("bench", {})
    data = part.get("data", BenchPart(lab="").data) if isinstance(part, dict) else None
    if not isinstance(data, str):
        raise ConfigError("names no folder", where=f"{path}: bench.data", allowed="a text, or --data FOLDER")
    return path.parent / data


def zone_named(path: Path) -> str:
    """The time zone of a rig file's people, of one that may have mistakes; UTC where it names none or cannot be read."""
    try:
        part = read_toml(path).get("bench", {})
    except ConfigError:
        return UTC
    zone = part.get("timezone", UTC) if isinstance(part, dict) else UTC
    return zone if isinstance(zone, str) else UTC


def calibration_mistakes(path: Path, rig: Rig) -> tuple[ConfigError, ...]:
    """Fixtures whose transducer has neither a factor in the rig nor a calibration record under the data root."""
    found: list[ConfigError] = []
    for fixture in rig.fixture:
        transducer = fixture.transducer
        record = data_root(path, rig) / "calibrations" / f"{transducer.serial}.jsonl"
        if (
            transducer.factor_nm_per_v is None
            and transducer.sensitivity_mv_per_v is None
            and not record.is_file()
        ):
            place = Place(str(path)).inside("fixture").entry(fixture.id, named=True).inside("transducer")
            found.append(
                place.mistake(
                    "serial",
                    f"transducer {shown(transducer.serial)} has no calibration record {record}",
                    "a record in that file, or factor_nm_per_v here, or sensitivity_mv_per_v with rated_torque_nm",
                )
            )
    return tuple(found)


def append_card(root: Path, fixture: str, card: MountCard) -> Path:
    """Add a card to `mounts/<fixture>.jsonl` under the data root; it is on the disk when this returns.

    Raises:
        ConfigError: a name on the card, or the fixture's, is not allowed.
        StorageError: the file cannot be written.
    """
    raise_mistakes(card_mistakes(fixture, card))
    path = card_path(root, fixture)
    with CARDS_LOCK, _storage(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a+b") as file:
            torn = file.tell() > 0 and _last_byte(path) != b"\n"
            file.write((b"\n" if torn else b"") + with_checksum(msgspec.json.encode(card)) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        for folder in (path.parent, root):
            _sync_folder(folder)
    return path


def read_card(root: Path, fixture: str) -> MountCard | None:
    """The card in force: the last line of `mounts/<fixture>.jsonl`, or None when nothing is mounted or the unit was taken off.

    A last line without its end was torn by a crash before `append_card` returned, and counts for nothing.

    Raises:
        CorruptFileError: the last whole line is no mount card or fails its checksum, or the file has none.
        SchemaVersionError: it was written by a newer major version.
        StorageError: the file cannot be read.
    """
    path = card_path(root, fixture)
    if not path.exists():
        return None
    with _storage(path):
        lines = path.read_bytes().split(b"\n")[:-1]
    if not lines:
        raise CorruptFileError(str(path), "has no complete line; mount the unit again")
    try:
        text = checked(lines[-1])[0]
        schema = msgspec.json.decode(text, type=CardVersion).schema
        if schema > CARD_SCHEMA:
            raise SchemaVersionError(
                f"{path}: mount card of schema {schema}; this nightturn reads {CARD_SCHEMA}"
            )
        card = msgspec.json.decode(text, type=MountCard)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        what = f"line {len(lines)} is not a mount card ({error}); mount the unit again"
        raise CorruptFileError(str(path), what) from error
    return None if card.taken_off else card


def card_path(root: Path, fixture: str) -> Path:
    """The file of a fixture's mount cards."""
    return root / "mounts" / f"{fixture}.jsonl"


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def _storage(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        why = error.strerror or str(error)
        raise StorageError(
            f"{path}: {why}; choose a folder you may write to as bench.data, or correct its owner and mode"
        ) from error


def _device_of(port: str) -> str:
    # Two names of one device (a by-id link and the node it points to) are one port.
    return os.path.realpath(port) if port.startswith("/") else port


def read_toml(path: Path) -> dict[str, object]:
    """A TOML file as tables.

    Raises:
        ConfigError: there is none, it is too large, or it is no TOML; names the line.
    """
    text = _read_text(path)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, line, column = _toml_position(str(error), text)
        raise ConfigError(f"not valid TOML: {what}", where=f"{path}, line {line}, column {column}") from error
    except (ValueError, RecursionError) as error:  # a number of thousands of digits, brackets a thousand deep
        raise ConfigError(
            f"not usable TOML: {error}",
            where=str(path),
            allowed="shorter numbers, and tables that are not nested so deep",
        ) from error


def _toml_position(message: str, text: str) -> tuple[str, int, int]:
    """The parser's words and its position; the end of the text when it says "at end of document"."""
    found = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", message, re.DOTALL)
    if found:
        return found[1], int(found[2]), int(found[3])
    lines = text.split("\n")
    return message, len(lines), len(lines[-1]) + 1


def _read_text(path: Path) -> str:
    where = str(path)
    if path.is_dir():
        raise ConfigError(
            "is a folder, not a file", where=where, allowed=f"a file such as {path / 'bench.toml'}"
        )
    try:
        with path.open("rb") as file:
            content = file.read(FILE_BYTES_MAX + 1)
    except FileNotFoundError as error:
        raise ConfigError("no such file", where=where, allowed="the path of an existing TOML file") from error
    except OSError as error:
        raise ConfigError(
            f"cannot be read: {error.strerror}", where=where, allowed="a file you may read"
        ) from error
    if len(content) > FILE_BYTES_MAX:
        raise ConfigError(
            f"is larger than {FILE_BYTES_MAX} bytes", where=where, allowed="a settings file in TOML"
        )
    try:
        return content.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"byte {error.start} is not UTF-8", where=where, allowed="a text file in UTF-8"
        ) from error
