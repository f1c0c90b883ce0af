"""What a replay of a committed tape must give, and the differences in words."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from nightturn.errors import CorruptFileError, StorageError
from nightturn.estimation.fingerprint import fingerprint
from nightturn.model.figures import CycleRecord, Figure
from nightturn.replay.full import Replayed, Rows

RELATIVE = 1e-9
ABSOLUTE = 1e-15
SUFFIX = ".expected.json"


class Expected(msgspec.Struct, frozen=True, kw_only=True):
    """The stored outcome of a tape and the command that made the tape."""

    made_by: str
    fingerprint: str
    records: int
    effects: int
    effects_crc: int
    samples: int
    rows: Rows


def expected_path(tape: Path) -> Path:
    """Where the expectation of a tape lies: beside it."""
    return tape.with_name(tape.name.removesuffix(".ntj") + SUFFIX)


def read_expected(tape: Path) -> Expected | None:
    """The expectation beside a tape, or None.

    Raises:
        CorruptFileError: it cannot be parsed.
    """
    path = expected_path(tape)
    try:
        return msgspec.json.decode(path.read_bytes(), type=Expected)
    except FileNotFoundError:
        return None
    except msgspec.DecodeError as error:
        raise CorruptFileError(str(path), f"not an expectation: {error}") from error


def write_expected(tape: Path, seen: Replayed, made_by: str) -> Path:
    """Store what a replay gave as the expectation.

    Raises:
        StorageError: it cannot be written.
    """
    expected = Expected(
        made_by=made_by,
        fingerprint=fingerprint(),
        records=seen.records,
        effects=seen.effects,
        effects_crc=seen.effects_crc,
        samples=seen.samples,
        rows=seen.rows,
    )
    path = expected_path(tape)
    try:
        path.write_bytes(msgspec.json.format(msgspec.json.encode(expected), indent=1) + b"\n")
    except OSError as error:
        raise StorageError(f"{path}: cannot be written: {error.strerror}") from error
    return path


def differences(expected: Expected, seen: Replayed, *, effects: bool = True) -> list[str]:
    """Every difference as a sentence; empty when the replay is identical.

    Figures must be equal to the last bit under the same numeric fingerprint, else within 1e-9 relative.
    """
    exact = expected.fingerprint == fingerprint()
    found = [seen.first_difference] if seen.first_difference and effects else []
    if effects:
        for name in ("records", "effects", "effects_crc", "samples"):
            was, now = getattr(expected, name), getattr(seen, name)
            if was != now:
                found.append(f"{name}: {was} expected, {now} seen")
        for name in ("gaps", "events", "strokes"):
            found += _rows(name, getattr(expected.rows, name), getattr(seen.rows, name))
    return found + cycle_differences(expected.rows.cycles, seen.rows.cycles, exact=exact, places=effects)


def cycle_differences(
    was: Sequence[CycleRecord], now: Sequence[CycleRecord], *, exact: bool, places: bool = True
) -> list[str]:
    """Differences of cycles: number, sums, figures; `places` compares record numbers and times too."""
    found = [] if len(was) == len(now) else [f"cycles: {len(was)} expected, {len(now)} seen"]
    for old, new in zip(was, now, strict=False):
        where = f"cycle {old.cycle_no}"
        if old.sums_sha256 != new.sums_sha256:
            found.append(f"{where}: the integer sums differ ({old.sums_sha256[:12]} -> {new.sums_sha256[:12]})")
        names = ["epoch", "cycle_no", "status", "direction", "index_first", "index_last", "config_digest"]
        names += ["record_first", "record_last", "ts_start", "ts_end", "reasons"] if places else []
        for name in names:
            if getattr(old, name) != getattr(new, name):
                found.append(f"{where}: {name} {getattr(old, name)} -> {getattr(new, name)}")
        for one, other in zip(old.figures, new.figures, strict=False):
            found += _figure(where, one, other, exact=exact)
    return found


def _figure(where: str, old: Figure, new: Figure, *, exact: bool) -> list[str]:
    if old.method != new.method:
        return [f"{where}: {old.name} method {old.method} -> {new.method}: {old.value} -> {new.value}"]
    found = []
    for name in ("value", "u", "nu"):
        was, now = getattr(old, name), getattr(new, name)
        if not _equal(was, now, exact=exact):
            found.append(f"{where}: {old.name} {name} {was} -> {now}")
    if (old.status, old.n) != (new.status, new.n):
        found.append(f"{where}: {old.name} status {old.status} ({old.n}) -> {new.status} ({new.n})")
    return found


def _equal(was: float | None, now: float | None, *, exact: bool) -> bool:
    if was is None or now is None or exact:
        return was == now
    return math.isclose(was, now, rel_tol=RELATIVE, abs_tol=ABSOLUTE)


def _rows(name: str, was: Sequence[Any], now: Sequence[Any]) -> list[str]:
    found = [] if len(was) == len(now) else [f"{name}: {len(was)} expected, {len(now)} seen"]
    found += [
        f"{name} {number}: {old} -> {new}"
        for number, (old, new) in enumerate(zip(was, now, strict=False), start=1)
        if old != new
    ]
    return found
