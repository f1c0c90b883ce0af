"""What came of one run, for the report and for the footer of its result."""

import math
from collections.abc import Mapping, Sequence

import msgspec

from nightturn.model.figures import CycleRecord
from nightturn.model.quantities import number
from nightturn.reanalysis.recorded import StoredCycle

SENTENCES_MAX = 20
RELATIVE, ABSOLUTE = 1e-9, 1e-12
"""Within which a figure of one method is the same on every machine."""


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """One run under one method.

    Attributes:
        path: of its cycles, below the data root; empty where there are none.
        already: whether the result was there, made of the same data.
        cycles, samples: that were made, and of how many samples.
        sums_equal: cycles whose integer sums are those that were stored; sums_differ: sentences on those whose are not.
        not_stored: cycles that the run stored none of, so that nothing was compared.
        figures_equal: figures of the same method and calibration whose value is the stored one; figures_differ: sentences.
        methods: figures whose method changed since.
        left_out: sentences on cycles that cannot be made again.
        verdict, verdict_stored: the night's word now and as recorded; empty where there is none.
        problem: why nothing came of it; storage: whether that lies in the files; not_whole: in an object store.
        out: the folder that `path` is below, where it is not `root`.
    """

    root: str
    fixture: str
    run: str
    method: str
    path: str = ""
    already: bool = False
    cycles: int = 0
    samples: int = 0
    sums_equal: int = 0
    sums_differ: tuple[str, ...] = ()
    not_stored: int = 0
    figures_equal: int = 0
    figures_differ: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    verdict: str = ""
    verdict_stored: str = ""
    cpu_s: float = 0.0
    problem: str = ""
    storage: bool = False
    not_whole: bool = False
    out: str = ""

    @property
    def ok(self) -> bool:
        """Whether the result is there and nothing contradicts what was recorded."""
        return not (self.problem or self.sums_differ or self.figures_differ)


class Compared(msgspec.Struct):
    """Cycles against those that were stored; `values` says whether figures of the same method have to be the same."""

    values: bool
    sums_equal: int = 0
    not_stored: int = 0
    figures_equal: int = 0
    sums_differ: list[str] = []
    figures_differ: list[str] = []
    methods: dict[str, str] = {}

    def cycle(self, now: CycleRecord, was: StoredCycle | None) -> None:
        """One of them."""
        if was is None:
            self.not_stored += 1
        elif was.sums_sha256 != now.sums_sha256:
            _say(
                self.sums_differ,
                f"cycle {now.cycle_no}: sums {was.sums_sha256[:12]} -> {now.sums_sha256[:12]}",
            )
        else:
            self.sums_equal += 1
            for figure in now.figures:
                if figure.name in was.figures:
                    self._figure(
                        now.cycle_no, figure.name, figure.value, figure.method, was.figures[figure.name]
                    )

    def lacking(
        self, stored: Mapping[tuple[int, int], StoredCycle], cycles: Sequence[CycleRecord], digests: set[str]
    ) -> None:
        """Stored cycles, under settings that could be had, that did not come."""
        seen = {(cycle.epoch, cycle.index_first) for cycle in cycles}
        for key, was in stored.items():
            if key not in seen and was.config_digest in digests:
                _say(
                    self.sums_differ,
                    f"cycle {was.cycle_no} of epoch {was.epoch} was not found in the samples",
                )

    def _figure(
        self, cycle_no: int, name: str, value: float | None, method: int, stored: tuple[float | None, int]
    ) -> None:
        was, was_method = stored
        if was_method != method:
            self.methods[name] = f"{name} method {was_method} -> {method}"
        elif self.values and not _same(was, value):
            texts = ["none" if each is None else number(each) for each in (was, value)]
            _say(self.figures_differ, f"cycle {cycle_no}: {name} {texts[0]} -> {texts[1]}")
        elif self.values:
            self.figures_equal += 1


def _same(was: float | None, now: float | None) -> bool:
    if was is None or now is None:
        return was is now
    return math.isclose(was, now, rel_tol=RELATIVE, abs_tol=ABSOLUTE)


def _say(sentences: list[str], sentence: str) -> None:
    if len(sentences) < SENTENCES_MAX:
        sentences.append(sentence)
    elif len(sentences) == SENTENCES_MAX:
        sentences.append("and more")
