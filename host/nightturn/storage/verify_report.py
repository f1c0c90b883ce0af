"""What `verify` has found: of each run, and of the root as a whole."""

from dataclasses import dataclass, field

from nightturn.storage.continuity import Hole
from nightturn.storage.standing import Standing


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that is not as it should be.

    Attributes:
        kind: corrupt, damaged, stray, missing_chunk, missing_file, overlap, identity, time, unexplained, sum, tape, retention,
            manifest, card, calibration, rig_record, logbook, catalogue, or not_whole: an object store lacks or changed it.
        path: the file, or the folder of the run.
        detail: a sentence.
    """

    kind: str
    path: str
    detail: str


@dataclass(slots=True)
class RunReport:
    """What was found in one run.

    Attributes:
        files, bytes: Parquet files read and their size.
        chunks: raw chunks that could be read.
        stored: samples in them.
        span: times of the first and the last sample, UTC ns, corrected where a person has said that the clock was wrong.
        corrections: how often that was said of the run; `redated` is the sentence to the one in force, empty without one.
        timezone: by which clocks people read them.
        missing: samples that gap rows count by index (exact).
        missing_between: those of them that lie between two epochs of one boot of the device.
        missing_by_time: samples that gap rows estimate between epochs; not part of the sum.
        produced: samples that the device numbered, first to last, over all epochs.
        holes: where the index jumps, each with the causes of the gap rows that explain it.
        segments: tape segments compared with their chunks.
        unsealed: segments not sealed yet: a daemon is running, or the next start seals them.
        unsealed_records: what is in them and in no chunk, so not checked and not counted here.
        state: how the run stands.
        unchecked: what is not known to be whole, because nobody wrote down how it should be; sentences.
        cleared: what retention has cleared, a sentence each; it is neither read nor missing.
        problems: everything that is wrong.
    """

    fixture: str
    run: str
    files: int = 0
    bytes: int = 0
    chunks: int = 0
    stored: int = 0
    span: tuple[int, int] | None = None
    timezone: str = "UTC"
    corrections: int = 0
    redated: str = ""
    missing: int = 0
    missing_between: int = 0
    missing_by_time: int = 0
    produced: int = 0
    holes: tuple[Hole, ...] = ()
    segments: int = 0
    unsealed: tuple[str, ...] = ()
    unsealed_records: int = 0
    state: Standing = "unknown"
    unchecked: list[str] = field(default_factory=list)
    cleared: tuple[str, ...] = ()
    problems: list[Problem] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether everything is there or explained."""
        return not self.problems


@dataclass(frozen=True, slots=True)
class Report:
    """One report per run looked at, and what is wrong, or not known, of the root as a whole."""

    runs: tuple[RunReport, ...]
    problems: tuple[Problem, ...] = ()
    unchecked: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether every run is, and the root."""
        return all(run.ok for run in self.runs) and not self.problems

    @property
    def not_whole(self) -> bool:
        """Whether an object store lacks an object as a whole, or gives back other bytes."""
        problems = [*self.problems, *(each for run in self.runs for each in run.problems)]
        return any(each.kind == "not_whole" for each in problems)
