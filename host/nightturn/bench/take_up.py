"""Taking up a run where recovery left it, under the settings of now, which may not be those that it was recorded under.

Settings that give recorded numbers their meaning end the run: the fact goes onto its tape, and recovery does the rest, so
a host that dies in between finds the same. The run that follows says what was changed and waits for a person. Other
settings hold from here on.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import msgspec

from nightturn.bench.recovery import recover
from nightturn.bench.runs import NOTHING_RECORDED, Beginning
from nightturn.model import facts
from nightturn.model.facts import RunOpened, Setting
from nightturn.model.records import Host
from nightturn.model.rows import RecoveredRow, RunEnded
from nightturn.settings.meaning import Texts, changes, texts_of
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import usable_manifest
from nightturn.world import Clock, Files

DIGEST_CHARACTERS = 16


@dataclass(frozen=True, slots=True)
class Start:
    """What a station starts with.

    Attributes:
        opened: a new run, or one that goes on with the settings that it was recorded under.
        segment: what recovery has begun for a run that goes on; empty for a new one.
        setting: what holds from here on; None when nothing was changed.
        ended: the end of the run that could not go on.
        news: the events of that end, as `recovery.Recovered.news`.
    """

    opened: RunOpened
    segment: str = ""
    setting: Setting | None = None
    ended: RunEnded | None = None
    news: tuple[RecoveredRow, ...] = ()


def take_up(
    files: Files,
    journal: Journal,
    clock: Clock,
    beginning: Beginning,
    opened_for: Callable[[Beginning], RunOpened],
) -> Start:
    """The run to start, after the one that cannot go on was ended and sealed.

    Args:
        files: the data root.
        journal: of the fixture, no segment open.
        clock: says when a run ends.
        beginning: where recovery says that the tape goes on.
        opened_for: the first record of a run under the settings of now.

    Raises:
        StorageError: the tape cannot be written or sealed.
        ConfigError, CalibrationError: as `opened_for`.
    """
    opened = opened_for(beginning)
    if beginning.recorded == NOTHING_RECORDED:
        return Start(opened, beginning.segment)
    now = texts_of(opened)
    found = changes(beginning.recorded, now)
    as_recorded = msgspec.structs.replace(opened, **msgspec.structs.asdict(beginning.recorded))
    if not found:
        return Start(as_recorded, beginning.segment)
    setting = Setting(
        now.rig, now.variant, now.card, now.calibration, _digest(now), rig_record=now.rig_record
    )
    if not any(change.ends for change in found):
        return Start(as_recorded, beginning.segment, setting)
    # By the clock of the run that ends; the host may have started anew since.
    _end(
        journal,
        beginning.segment,
        facts.host(clock.utc_ns() - beginning.utc_offset_ns, facts.SETTING, setting),
    )
    recovered = recover(files, journal, journal.fixture)
    following, ended = recovered.beginning, _end_of(files, journal.fixture, beginning.run)
    return Start(opened_for(following), following.segment, ended=ended, news=recovered.news)


def _end(journal: Journal, segment: str, fact: Host) -> None:
    """Put the fact onto the tape of the run that it ends, durable."""
    journal.reopen(segment)
    try:
        journal.write([fact])
    finally:
        journal.close()


def _end_of(files: Files, fixture: str, run: str) -> RunEnded | None:
    manifest = usable_manifest(files, fixture, run)
    if manifest is None or manifest.ended_utc_ns is None:
        return None
    return RunEnded(manifest.ended_utc_ns, run, manifest.reason, manifest.ended_by, manifest.night_verdict)


def _digest(texts: Texts) -> str:
    return hashlib.sha256(msgspec.json.encode(texts)).hexdigest()[:DIGEST_CHARACTERS]
