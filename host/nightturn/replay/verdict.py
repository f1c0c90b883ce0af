"""One replay and its outcome, for the command line and for tests."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from nightturn.errors import ConfigError
from nightturn.estimation.fingerprint import fingerprint
from nightturn.model.figures import CycleRecord
from nightturn.replay.differences import cycle_differences, row_differences
from nightturn.replay.expected import Expected, read_expected, write_expected
from nightturn.replay.figures import FiguresReplay, replay_figures
from nightturn.replay.full import Replayed, Rows, replay
from nightturn.replay.stored import in_order_of_time, stored_rows
from nightturn.replay.tapes import Tape, tape_of

EFFECTS = "every effect"
NOTHING_BESIDE = "no expectation lies beside the tape"


@dataclass(frozen=True, slots=True)
class Options:
    """How to replay.

    Attributes:
        figures: sums and figures only, the fast form.
        tile_samples: another tile size than live; None as live.
        splits: hand over to another core before these records.
        accept: store what was seen as the expectation.
        made_by: with `accept`, the command that made the tape; empty keeps what stands.
    """

    figures: bool = False
    tile_samples: int | None = None
    splits: Sequence[int] = ()
    accept: bool = False
    made_by: str = ""


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """What a replay found; `identical` is false when anything differs or the tape is damaged."""

    name: str
    identical: bool
    compared_with: str
    differences: tuple[str, ...] = ()
    damage: tuple[str, ...] = ()
    cycles: int
    samples: int
    record_last: int
    dropped_bytes: int
    seconds: float
    accepted: str = ""

    def lines(self) -> list[str]:
        """The outcome as lines of text."""
        speed = self.samples / max(self.seconds, 1e-9) / 1e6
        told = f"{self.cycles} cycles, {self.samples} samples in {self.seconds:.2f} s ({speed:.1f} MS/s)"
        damage = [f"  damaged: {line}" for line in self.damage]
        if self.accepted:
            return [f"{self.name}: accepted as {self.accepted}; {told}", *damage]
        if self.differences:
            word = "difference" if len(self.differences) == 1 else "differences"
            head = f"{self.name}: {len(self.differences)} {word} ({self.compared_with}); {told}"
            return [head, *(f"  {line}" for line in self.differences), *damage]
        word = "identical up to the damage" if self.damage else "identical"
        return [f"{self.name}: {word} ({self.compared_with}); {told}", *damage]


def replay_log(log: Path, fixture: str, run: str, options: Options) -> Outcome:
    """Replay a tape file, a folder of segments, or the tape of a run under a data root.

    Raises:
        ConfigError: options that contradict each other, or a folder without a tape.
        StorageError: no such tape or run, or it cannot be read.
    """
    _check(fixture, options)
    tape = tape_of(log, fixture, run)
    fingerprint()  # loads the numeric libraries, which is not the replay's time
    began_s = time.process_time()
    seen = replay_figures(tape) if options.figures else replay(tape, options.tile_samples, options.splits)
    seconds = time.process_time() - began_s
    accepted, compared, found = "", "", list[str]()
    if options.accept:
        assert isinstance(seen, Replayed)
        accepted = _accept(log, seen, options.made_by)
    else:
        kept = _stored(log, fixture, tape, seen) if fixture else read_expected(log)
        compared, found = _compare(kept, seen, whole=options.tile_samples is None)
    return Outcome(
        name=tape.name,
        identical=not found and not seen.damage,
        compared_with=compared,
        differences=tuple(found),
        damage=tuple(seen.damage),
        cycles=len(_cycles(seen)),
        samples=seen.samples,
        record_last=seen.record_last,
        dropped_bytes=seen.dropped_bytes,
        seconds=seconds,
        accepted=accepted,
    )


def _check(fixture: str, options: Options) -> None:
    if options.figures and (options.tile_samples or options.splits):
        raise ConfigError(
            "it goes with a full replay only", where="--tile or --split", allowed="one of them, or --figures"
        )
    if options.accept and (options.figures or options.tile_samples):
        raise ConfigError(
            "only a full replay as live is an expectation", where="--accept", allowed="it alone"
        )
    if options.accept and fixture:
        raise ConfigError(
            "only a tape by itself keeps an expectation",
            where="--accept",
            allowed="a *.ntj file or its folder",
        )


def _accept(log: Path, seen: Replayed, made_by: str) -> str:
    before = read_expected(log)
    return write_expected(log, seen, made_by or (before.made_by if before is not None else "")).name


def _stored(log: Path, fixture: str, tape: Tape, seen: Replayed | FiguresReplay) -> Rows:
    return stored_rows(log, fixture, tape.run, seen.record_first, seen.record_last)


def _cycles(seen: Replayed | FiguresReplay) -> list[CycleRecord]:
    return seen.rows.cycles if isinstance(seen, Replayed) else seen.cycles


def _compare(
    kept: Expected | Rows | None, seen: Replayed | FiguresReplay, *, whole: bool
) -> tuple[str, list[str]]:
    """With what a replay was compared, and every difference."""
    if isinstance(seen, FiguresReplay) or not whole:
        if kept is None:
            return f"nothing: {NOTHING_BESIDE}", []
        cycles = kept.rows.cycles if isinstance(kept, Expected) else kept.cycles
        exact = _same_numbers(cycles)
        return f"sums and figures{_how(exact)}", cycle_differences(
            cycles, _cycles(seen), exact=exact, whole=False
        )
    found = [seen.first_difference] if seen.first_difference else []
    if kept is None:
        return f"{EFFECTS}; {NOTHING_BESIDE}", found
    if isinstance(kept, Rows):
        exact = _same_numbers(kept.cycles)
        found += row_differences(in_order_of_time(kept), in_order_of_time(seen.rows), exact=exact)
        return f"{EFFECTS}, and the stored rows{_how(exact)}", found
    exact = kept.fingerprint == fingerprint()
    for name in ("records", "effects", "effects_crc", "samples"):
        was, now = getattr(kept, name), getattr(seen, name)
        if was != now:
            found.append(f"{name}: {was} expected, {now} seen")
    return f"{EFFECTS}, sums and figures{_how(exact)}", found + row_differences(
        kept.rows, seen.rows, exact=exact
    )


def _same_numbers(cycles: Sequence[CycleRecord]) -> bool:
    return all(cycle.fingerprint == fingerprint() for cycle in cycles)


def _how(exact: bool) -> str:  # noqa: FBT001 - a word for a truth value
    return "" if exact else "; recorded under another numeric fingerprint, so figures within 1e-9"
