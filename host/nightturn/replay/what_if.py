"""The same tape under other limits: what would have been judged otherwise, and from when on the tape no longer shows what would have happened.

Two cores are fed side by side, one as it was, one with the other protective limits. Up to the first command on which they differ both saw the
same shaft. Behind it the recorded samples are those of a shaft that was commanded otherwise, so only figures are said from there on.
Acceptance moves nothing: each cycle is worked out again under the other limits, from the sums of the first core.
"""

from collections.abc import Iterator, Sequence

import msgspec

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.jobs import CycleJob, worked_out
from nightturn.estimation.night_verdict import Night
from nightturn.estimation.purpose import Basis
from nightturn.fixture.core import Fixture
from nightturn.fixture.release import basis_of
from nightturn.fixture.stream import RunSettings, accept_limits
from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Effect, Emit, Host, Record, Send, Tick
from nightturn.model.rows import EVENTS, EventRow
from nightturn.replay.beginning import take_over
from nightturn.replay.full import read_by_this_version
from nightturn.replay.tapes import Tape
from nightturn.settings.limits import Limits
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.variant import Variant
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import parse_message

DECIDES = (wire.Drive, wire.Halt, wire.Clear)
"""Commands by which motion begins, changes or ends."""


class Otherwise(msgspec.Struct, frozen=True):
    """A cycle that is judged otherwise: when it ended, its number, its words on each limit then and now."""

    ts: int
    cycle_no: int
    was: str
    now: str


class WhatIf(msgspec.Struct, frozen=True, kw_only=True):
    """What other limits would have changed.

    Attributes:
        cycles: judged again; otherwise: those whose verdict differs.
        was, now: the night's verdict as recorded and under the other limits; None without a cycle.
        differs_ts: when motion would first have been commanded otherwise; None where it never would.
        differs: what was done and what would have been done there, in words.
        missing: what the tape lacks.
        methods: figures that this version makes by another method than the recorded ones were, a sentence each.
    """

    cycles: int
    otherwise: tuple[Otherwise, ...]
    was: NightVerdict | None
    now: NightVerdict | None
    differs_ts: int | None
    differs: str
    missing: tuple[str, ...]
    methods: tuple[str, ...] = ()


def what_if(tape: Tape, limits: Limits) -> WhatIf:
    """Feed the tape to both cores.

    Raises:
        CorruptFileError: a segment cannot be read.
    """
    both = _Both(limits)
    for part in tape.parts():
        with read_by_this_version(part):
            if part.begins or both.core is None:
                core, other = Fixture(part.segment.first_record_no), Fixture(part.segment.first_record_no)
                take_over(core, part)
                take_over(other, part)
                both.begin(core, other)
            if part.problem:
                both.missing.append(part.problem)
            for _, record in part.segment.records():
                both.take(record)
    return both.found()


class _Both:
    """Two cores on their way through a tape."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self.core: Fixture | None = None
        self._other: Fixture | None = None
        self._tick: Tick | None = None
        self._night, self._accept, self._planned = Night(), tuple[AcceptLimit, ...](), 0
        self._basis = Basis()
        self._cycles = 0
        self._otherwise: list[Otherwise] = []
        self._differs: tuple[int, str] | None = None
        self._methods: dict[str, str] = {}
        self.missing: list[str] = []

    def begin(self, core: Fixture, other: Fixture) -> None:
        """The host began here; where the shaft was commanded otherwise before, the tape is no longer that of the other core."""
        self.core = core
        self._other = other if self._differs is None else None

    def take(self, record: Record) -> None:
        """The next record."""
        core = self.core
        assert core is not None
        if isinstance(record, Tick):
            self._tick = record
        if isinstance(record, Host):
            self._judge(core, record)
        done = core.handle(record)
        if self._other is not None:
            would = self._other.handle(self._changed(record, self._other))
            self._compare(done, would)

    def _changed(self, record: Record, other: Fixture) -> Record:
        """The record as the other core is given it."""
        if not isinstance(record, Host):
            return record
        if record.kind == facts.RUN_OPENED:
            return self._with_limits(record, msgspec.msgpack.decode(record.body, type=facts.RunOpened))
        if record.kind == facts.SETTING:
            return self._with_limits(record, msgspec.msgpack.decode(record.body, type=facts.Setting))
        if record.kind == facts.CYCLE_FINISHED:
            fact = msgspec.msgpack.decode(record.body, type=facts.CycleFinished)
            job = other.state.finishing.first
            if job is not None and job.is_of(fact.epoch, fact.cycle_no):
                return msgspec.structs.replace(record, body=msgspec.msgpack.encode(worked_out(job)))
        return record

    def _with_limits(self, record: Host, fact: facts.RunOpened | facts.Setting) -> Host:
        rig = msgspec.json.decode(fact.rig, type=FixtureSettings)
        if self._limits.fixture is not None:
            rig = msgspec.structs.replace(rig, protect=self._limits.fixture.protect)
        variant = self._variant(fact.variant)
        texts = {"rig": msgspec.json.encode(rig).decode(), "variant": msgspec.json.encode(variant).decode()}
        return msgspec.structs.replace(
            record, body=msgspec.msgpack.encode(msgspec.structs.replace(fact, **texts))
        )

    def _variant(self, text: str) -> Variant:
        variant = msgspec.json.decode(text, type=Variant)
        return (
            variant
            if self._limits.accept is None
            else msgspec.structs.replace(variant, accept=self._limits.accept)
        )

    def _judge(self, core: Fixture, record: Host) -> None:
        """A cycle's figures come: work them out under the other limits, and count both verdicts."""
        if record.kind != facts.CYCLE_FINISHED:
            return
        fact = msgspec.msgpack.decode(record.body, type=facts.CycleFinished)
        job, opened = core.state.finishing.first, core.state.run.opened
        if job is None or opened is None or not job.is_of(fact.epoch, fact.cycle_no):
            return
        self._accept = accept_limits(self._variant(opened.variant))
        settings = RunSettings.of(opened)
        self._planned = settings.fixture.plan.cycles
        self._basis = basis_of(msgspec.structs.replace(settings, variant=self._variant(opened.variant)))
        now = self._again(job)
        if now is None:
            return
        self._cycles += 1
        self._night.add(now, self._accept)
        was = fact.record.verdict if fact.record is not None else "no figures"
        recorded = {each.name: each.method for each in fact.record.figures} if fact.record is not None else {}
        for each in now.figures:
            if recorded.get(each.name, each.method) != each.method:
                self._methods[each.name] = f"{each.name}: method {recorded[each.name]} -> {each.method}"
        if was != now.verdict:
            self._otherwise.append(Otherwise(now.ts_end, now.cycle_no, was, now.verdict))

    def _again(self, job: CycleJob) -> CycleRecord | None:
        conditions = msgspec.structs.replace(job.conditions, accept=self._accept)
        return worked_out(msgspec.structs.replace(job, conditions=conditions)).record

    def _compare(self, done: Sequence[Effect], would: Sequence[Effect]) -> None:
        """The first command on which both cores differ ends the comparison."""
        if list(_commands(done)) == list(_commands(would)):
            return
        ts = self._tick.utc_ns if self._tick is not None else 0
        self._differs = ts, f"was: {_words(done)}; would have been: {_words(would)}"
        self._other = None

    def found(self) -> WhatIf:
        """What was seen."""
        core = self.core
        now = self._night.verdict(self._accept, self._planned, self._basis) if self._cycles else None
        return WhatIf(
            cycles=self._cycles,
            otherwise=tuple(self._otherwise),
            was=core.state.run.night.verdict if core is not None else None,
            now=now,
            differs_ts=self._differs[0] if self._differs is not None else None,
            differs=self._differs[1] if self._differs is not None else "",
            missing=tuple(self.missing),
            methods=tuple(self._methods.values()),
        )


def _commands(effects: Sequence[Effect]) -> Iterator[object]:
    for effect in effects:
        if isinstance(effect, Send):
            message = parse_message(effect.body)
            if isinstance(message, DECIDES):
                yield message


def _words(effects: Sequence[Effect]) -> str:
    """What was done at a record: the sentences of its events, and the commands."""
    said = [
        effect.row.detail or effect.row.kind
        for effect in effects
        if isinstance(effect, Emit) and effect.dataset == EVENTS and isinstance(effect.row, EventRow)
    ]
    said += [type(each).__name__.upper() for each in _commands(effects)]
    return ", ".join(dict.fromkeys(said)) or "nothing"
