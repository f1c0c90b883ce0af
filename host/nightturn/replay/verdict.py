"""One replay and its outcome, for the command line and for tests."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import msgspec

from nightturn.errors import ConfigError
from nightturn.estimation.fingerprint import fingerprint, fingerprint_change
from nightturn.model.figures import CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.quantities import fixed
from nightturn.model.rows import TrendRow
from nightturn.replay.differences import (
    BOUND,
    course_differences,
    cycle_differences,
    fact_differences,
    night_differences,
    row_differences,
    trend_differences,
)
from nightturn.replay.expected import Expected, read_expected, write_expected
from nightturn.replay.figures import FiguresReplay, replay_figures
from nightturn.replay.full import Replayed, Rows, replay
from nightturn.replay.stored import in_order_of_time, stored_rows
from nightturn.replay.tapes import Tape, tape_of

EFFECTS = "every effect"
NOTHING_BESIDE = "the tape has no expectation file beside it"


class Differ(Protocol):
    """Compares what was kept with what was seen, to the last bit or within the bound."""

    def __call__(self, *, exact: bool) -> list[str]:
        """Every difference as a sentence."""


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
        told = f"{self.cycles} cycles, {self.samples} samples in {fixed(self.seconds, 2)} s ({fixed(speed, 1)} MS/s)"
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
            "only a full replay can do that", where="--tile or --split", allowed="one of them, or --figures"
        )
    if options.accept and (options.figures or options.tile_samples):
        raise ConfigError(
            "an expectation is made by a full replay at the live tile size only",
            where="--accept",
            allowed="it alone",
        )
    if options.accept and fixture:
        raise ConfigError(
            "an expectation is kept for a tape by itself only",
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


def _night(seen: Replayed | FiguresReplay) -> NightVerdict | None:
    return seen.rows.night_verdict if isinstance(seen, Replayed) else seen.night_verdict


def _trend(seen: Replayed | FiguresReplay) -> list[TrendRow]:
    return seen.rows.trend if isinstance(seen, Replayed) else seen.trend


def _compare(
    kept: Expected | Rows | None, seen: Replayed | FiguresReplay, *, whole: bool
) -> tuple[str, list[str]]:
    """With what a replay was compared and which comparison held, and every difference."""
    effects = EFFECTS if isinstance(seen, Replayed) and whole else ""
    found = [seen.first_difference] if isinstance(seen, Replayed) and whole and seen.first_difference else []
    if isinstance(seen, Replayed):
        found += fact_differences(seen.again) + course_differences(seen.courses)
    if kept is None:
        return f"{effects or 'nothing'}; {NOTHING_BESIDE}", found
    rows = kept.rows if isinstance(kept, Expected) else kept
    if seen.damage:  # what is missing may have been cycles
        rows = msgspec.structs.replace(rows, night_verdict=None)
    recorded = {cycle.fingerprint for cycle in rows.cycles}
    if isinstance(seen, FiguresReplay) or not whole:
        what = "sums and figures"
        cycles, night, trend = _cycles(seen), _night(seen), _trend(seen)

        def differ(*, exact: bool) -> list[str]:
            return [
                *cycle_differences(rows.cycles, cycles, exact=exact, whole=False),
                *trend_differences(rows.trend, trend, exact=exact),
                *night_differences(rows.night_verdict, night, exact=exact, whole=False),
            ]
    else:
        what = (
            f"{effects}, sums and figures"
            if isinstance(kept, Expected)
            else f"{effects}, and the stored rows"
        )
        was, now = rows, seen.rows
        if isinstance(kept, Expected):
            recorded.add(kept.fingerprint)
            found += _totals(kept, seen)
        else:
            was, now = in_order_of_time(was), in_order_of_time(now)

        def differ(*, exact: bool) -> list[str]:
            return row_differences(was, now, exact=exact)

    how, more = _numbers(recorded, differ, other=bool(found))
    return f"{what}: {how}", found + more


def _totals(kept: Expected, seen: Replayed) -> list[str]:
    names = ("records", "effects", "effects_crc", "samples")
    pairs = [(name, getattr(kept, name), getattr(seen, name)) for name in names]
    return [f"{name}: {was} expected, {now} seen" for name, was, now in pairs if was != now]


def _numbers(recorded: set[str], differ: Differ, *, other: bool) -> tuple[str, list[str]]:
    """Which comparison of the numbers held and the differences under the one that has to hold.

    A run in which any cycle has another fingerprint is compared within the bound as a whole, because a cycle takes the
    scatter of friction from the cycles before it. `other` says that something beside the numbers differs already.
    """
    here = fingerprint()
    changes = [fingerprint_change(line, here) for line in sorted(recorded - {here})]
    elsewhere = f"recorded under another numeric fingerprint: {' or '.join(changes)}" if changes else ""
    found = differ(exact=True)
    if not found:
        word = "compared" if other else "equal"
        return "; ".join(filter(None, (f"{word} to the last bit", elsewhere))), []
    if not changes:
        return "compared to the last bit", found
    found = differ(exact=False)
    word = "compared" if found or other else "equal"
    return f"{word} within {BOUND}; {elsewhere}", found
