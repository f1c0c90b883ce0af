"""One replay and its outcome, for the command line and for tests."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from nightturn.errors import ConfigError
from nightturn.estimation.fingerprint import fingerprint
from nightturn.model.figures import CycleRecord
from nightturn.replay.expected import cycle_differences, differences, read_expected, write_expected
from nightturn.replay.figures import replay_figures
from nightturn.replay.full import Replayed, replay
from nightturn.replay.stored import stored_cycles
from nightturn.replay.tapes import Tape, tape_of_file, tape_of_run


@dataclass(frozen=True, slots=True)
class Options:
    """How to replay: figures only, another tile size, a hand-over, accepting the outcome."""

    figures: bool = False
    tile_samples: int | None = None
    split_at: int | None = None
    accept: bool = False
    made_by: str = ""


class Outcome(msgspec.Struct, frozen=True):
    """What a replay found."""

    name: str
    identical: bool
    compared_with: str
    differences: tuple[str, ...]
    cycles: int
    samples: int
    seconds: float
    dropped_bytes: int = 0
    accepted: str = ""

    def lines(self) -> list[str]:
        """The outcome as lines of text."""
        speed = self.samples / max(self.seconds, 1e-9) / 1e6
        told = f"{self.cycles} cycles, {self.samples} samples in {self.seconds:.2f} s ({speed:.1f} MS/s)"
        if self.accepted:
            return [f"{self.name}: accepted as {self.accepted}: {told}"]
        torn = [f"  {self.dropped_bytes} bytes at the end are no whole record"] if self.dropped_bytes else []
        if self.identical:
            return [f"{self.name}: identical ({self.compared_with}); {told}", *torn]
        head = f"{self.name}: {len(self.differences)} differences ({self.compared_with}); {told}"
        return [head, *(f"  {line}" for line in self.differences), *torn]


def replay_log(log: Path, fixture: str, run: str, options: Options) -> Outcome:
    """Replay a tape file, or the tape of a run under a data root.

    Raises:
        ConfigError: a folder without a fixture.
        StorageError: no such tape or run, or it cannot be read.
    """
    if log.is_dir() and not fixture:
        raise ConfigError(f"{log} is a folder", where="replay", allowed="a *.ntj file, or --fixture ID with a data root")
    tape = tape_of_run(log, fixture, run) if fixture else tape_of_file(log)
    started_s = time.process_time()
    if options.figures:
        fast = replay_figures(tape)
        seconds = time.process_time() - started_s
        compared, found = _compare_figures(log, fixture, tape, fast.cycles)
        return Outcome(tape.name, not found, compared, tuple(found), len(fast.cycles), fast.samples, seconds)
    seen = replay(tape, options.tile_samples, options.split_at)
    seconds = time.process_time() - started_s
    if options.accept:
        if fixture:
            raise ConfigError("only a tape file keeps an expectation", where="--accept", allowed="a *.ntj file")
        path = write_expected(log, seen, options.made_by)
        return Outcome(tape.name, True, "", (), len(seen.rows.cycles), seen.samples, seconds, accepted=path.name)  # noqa: FBT003 - the struct's second field
    compared, found = _compare(log, fixture, tape, seen, effects=options.tile_samples is None)
    cycles, torn = len(seen.rows.cycles), seen.dropped_bytes
    return Outcome(tape.name, not found, compared, tuple(found), cycles, seen.samples, seconds, torn)


def _compare(log: Path, fixture: str, tape: Tape, seen: Replayed, *, effects: bool) -> tuple[str, list[str]]:
    if fixture:
        found = [seen.first_difference] if seen.first_difference and effects else []
        stored = stored_cycles(log, fixture, tape)
        exact = all(cycle.fingerprint == fingerprint() for cycle in stored)
        found += cycle_differences(stored, seen.rows.cycles, exact=exact, places=False)
        return "every effect, and the stored cycles", found
    expected = read_expected(log)
    if expected is None:
        found = [seen.first_difference] if seen.first_difference and effects else []
        return "every effect; no expectation lies beside the tape", found
    same = expected.fingerprint == fingerprint()
    how = "same numeric fingerprint" if same else "other numeric fingerprint: figures within 1e-9"
    what = "every effect, sums and figures" if effects else "sums and figures"
    return f"{what}; {how}", differences(expected, seen, effects=effects)


def _compare_figures(log: Path, fixture: str, tape: Tape, cycles: Sequence[CycleRecord]) -> tuple[str, list[str]]:
    if fixture:
        stored = stored_cycles(log, fixture, tape)
    else:
        expected = read_expected(log)
        if expected is None:
            return "nothing: no expectation lies beside the tape", []
        stored = expected.rows.cycles
    exact = all(cycle.fingerprint == fingerprint() for cycle in stored)
    return "sums and figures", cycle_differences(stored, cycles, exact=exact, places=False)
