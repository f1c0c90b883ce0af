"""Which stretch of a tape a person asks for, and by whose clocks."""

from pathlib import Path

import msgspec

from nightturn.errors import ConfigError
from nightturn.model.clocks import NS_PER_S
from nightturn.model.facts import RUN_OPENED, RunOpened
from nightturn.model.records import Host, Tick
from nightturn.replay.full import read_by_this_version
from nightturn.replay.shown_again import span_of
from nightturn.replay.tapes import Tape, tape_of
from nightturn.replay.when import moment_of
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import usable_manifest
from nightturn.storage.zones import local_text

MINUTE_NS = 60 * NS_PER_S


class Asked(msgspec.Struct, frozen=True):
    """A stretch of a tape: ns since 1970 UTC, and the name of the zone by whose clocks it was asked for.

    `beside` says what a person would not expect of it: that the tape begins or ends within, or that there are more such events.
    """

    tape: Tape
    from_ts: int
    to_ts: int
    zone: str
    beside: tuple[str, ...] = ()


def stretch_of(log: Path, fixture: str, run: str, at: str, until: str, around: str) -> Asked:
    """The stretch that is asked for, as far as the tape goes: behind its end no sample is missing, there is none.

    Raises:
        ConfigError: times that are none, outside the run or seen twice; `until` without `at`; no such event.
        StorageError: no such tape, or it cannot be read.
    """
    if bool(at) == bool(around) or (until and not at):
        raise ConfigError(
            "do not go together" if at or around else "no stretch is named",
            where="--at, --until, --around",
            allowed="--at TIME, --at TIME --until TIME, or --around EVENT",
        )
    tape = tape_of(log, fixture, run)
    zone = zone_of_tape(log, fixture, tape)
    span = span_of(tape)
    if around:
        moments = _events(log, fixture, tape, around)
        begin = moments[0] - MINUTE_NS // 2
        others = (
            ""
            if len(moments) == 1
            else f"the first of {len(moments)} events {around}; the last was at {local_text(moments[-1], zone)}"
        )
        return _within(Asked(tape, begin, begin + MINUTE_NS, zone, (others,) if others else ()), span)
    begin = moment_of(at, span, zone, "--at")
    end = moment_of(until, span, zone, "--until") if until else begin + MINUTE_NS
    if end <= begin:
        raise ConfigError(f"{until} is not behind {at}", where="--until", allowed="a later time")
    return _within(Asked(tape, begin, end, zone), span)


def _within(asked: Asked, span: tuple[int, int]) -> Asked:
    """The part of a stretch that the tape has, in whole seconds, at least one."""
    first, last = span[0], -(-span[1] // NS_PER_S) * NS_PER_S
    said = []
    if asked.from_ts < first:
        said.append("the tape begins there")
    if asked.to_ts > last:
        said.append("the tape ends there")
    begin = max(asked.from_ts, first)
    end = max(min(asked.to_ts, last), begin + NS_PER_S)
    return msgspec.structs.replace(asked, from_ts=begin, to_ts=end, beside=(*said, *asked.beside))


def zone_of_tape(log: Path, fixture: str, tape: Tape) -> str:
    """The zone of the bench: from the run's record, else from the tape itself, else UTC."""
    if fixture and tape.run:
        manifest = usable_manifest(RealFiles(log), fixture, tape.run)
        if manifest is not None:
            return manifest.timezone
    for part in Tape(tape.name, tape.files[:1], tape.run).parts():
        with read_by_this_version(part):
            for _, record in part.segment.records():
                if isinstance(record, Host) and record.kind == RUN_OPENED:
                    return msgspec.msgpack.decode(record.body, type=RunOpened).timezone
                if isinstance(record, Tick):
                    break
    return "UTC"


def _events(log: Path, fixture: str, tape: Tape, kind: str) -> list[int]:
    """When the events of a kind were, by the rows that the run stored."""
    if not fixture:
        raise ConfigError(
            "needs the rows of a run",
            where="--around",
            allowed="with a data root and --fixture; else --at TIME",
        )
    from nightturn.storage.reader import Run

    events = Run(log, fixture, tape.run).events()
    found = events[events["kind"] == kind]
    if not len(found):
        known = ", ".join(sorted(set(events["kind"])))
        raise ConfigError(f"the run has no event {kind!r}", where="--around", allowed=known)
    return sorted(found["ts"].astype("int64").tolist())
