"""The night's count made again from the run's cycles on the disk, for a run whose state is lost.

The same cycles, with the same words and budgets, in the same order, give the same count as the core's, to the last bit.
A cycle of which the disk does not tell all that counts is not counted, and the verdict says which and why.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import judge_one
from nightturn.estimation.night_verdict import UNKNOWN, Night, still_uncounted
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.storage.judged import JudgedChunk, JudgedCycle, judged_chunks
from nightturn.storage.manifest import Manifest
from nightturn.world import Files

OTHER_LIMITS = "the words on them are not those of the run's limits"
OTHER_SETTINGS = "they were measured under settings other than the run's first"


def recount(files: Files, manifest: Manifest, accept: Sequence[AcceptLimit]) -> Night:
    """Count the judged cycles of a run anew; the next cycle is numbered behind every one that any file names.

    Args:
        files: the data root.
        manifest: of the run; cycles of which its last verdict says that they may be missing still may be.
        accept: the limits that the run was opened with.
    """
    before, counting = manifest.night_verdict, _Counting(accept)
    figures = tuple(dict.fromkeys(limit.figure for limit in accept))
    for chunk in judged_chunks(files, manifest.fixture, manifest.run, figures):
        counting.chunk(chunk)
    counting.close(before.cycles if before is not None else 0)
    for sentence in still_uncounted(before):
        counting.night.leave_out(sentence)
    return counting.night


@dataclass(slots=True, eq=False)
class _Counting:
    """A count in the making.

    Attributes:
        accept: the limits.
        digest: of the settings under which the first cycle was measured, which are those of the manifest.
        why: of the cycles since the last one that was counted; empty when none was left out.
        unnumbered: whether `why` is of a file that does not say which cycles it holds.
        last: the highest number that any file so far names.
    """

    accept: Sequence[AcceptLimit]
    night: Night = field(default_factory=Night)
    digest: str = ""
    why: str = ""
    unnumbered: bool = False
    last: int = 0

    def chunk(self, chunk: JudgedChunk) -> None:
        """The next chunk of the run."""
        if chunk.trouble:
            self._reach(self.last + 1)
            self.why, self.unnumbered = chunk.trouble, True
        for cycle in chunk.cycles:
            self._cycle(cycle, chunk.budget_trouble)
        self.last = max(self.last, chunk.last_cycle)

    def close(self, at_least: int) -> None:
        """No chunk follows; so many cycles were counted when the run's manifest was last written."""
        self._reach(max(self.last, at_least) + 1)

    def _cycle(self, cycle: JudgedCycle, budget_trouble: str) -> None:
        why = self._against(cycle, budget_trouble)
        if why != self.why or self.unnumbered:
            self._reach(cycle.cycle_no)
        self.last = max(self.last, cycle.cycle_no)
        if why:
            self.why = why
        else:
            self.night.count(cycle.cycle_no, cycle.limit_words, cycle.figures, self.accept)

    def _reach(self, cycle_no: int) -> None:
        """What was left out ends before this cycle, and is said."""
        if self.unnumbered and cycle_no <= self.night.next_cycle:
            self.night.lose(self.why)
        self.night.expect(cycle_no, self.why or UNKNOWN)
        self.why, self.unnumbered = "", False

    def _against(self, cycle: JudgedCycle, budget_trouble: str) -> str:
        """Why the cycle cannot be counted as it was, or an empty text."""
        self.digest = self.digest or cycle.config_digest
        if cycle.config_digest != self.digest:
            return OTHER_SETTINGS
        if len(cycle.limit_words) != len(self.accept):
            return OTHER_LIMITS
        by_name = {figure.name: figure for figure in cycle.figures}
        for limit, word in zip(self.accept, cycle.limit_words, strict=True):
            if word == NOT_JUDGED:
                continue
            if judge_one(by_name[limit.figure], limit)[0] != word:
                return OTHER_LIMITS
            if limit.figure in cycle.unbudgeted:
                return budget_trouble or f"the budget of {limit.figure} is not whole"
        return ""
