"""The manifest of a run, kept up to date as the run begins, meets its device, and ends."""

import threading

import msgspec

from nightturn.fixture.resuming import unanswered
from nightturn.fixture.state import FixtureState
from nightturn.fixture.travel import travel_of
from nightturn.model.device import KEPT_MAX, Findings
from nightturn.model.facts import Lock, RunOpened, Travel
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import ChunkPlan, RunEnded, StateRow
from nightturn.motion.permission import MotionState
from nightturn.storage.manifest import (
    ENDED,
    Manifest,
    MotionStood,
    SheetSince,
    TorqueSince,
    of_opened,
    usable_manifest,
    write_manifest,
)
from nightturn.world import Files
from nightturn_protocol.messages import MAJOR, MINOR


class Ledger:
    """Writes the manifest of one run; a seal and a change of motion may want to at the same time."""

    def __init__(self, files: Files, fixture: str, opened: RunOpened) -> None:
        self._files = files
        self._lock = threading.Lock()
        self._judged_chunk = -1
        self._manifest: Manifest = of_opened(fixture, opened, f"{MAJOR}.{MINOR}")

    def begin(self) -> None:
        """The run has begun, or goes on: what its manifest says of it stays, whatever the settings are by now.

        Raises:
            StorageError: the manifest cannot be written.
        """
        known = _known(self._files, self._manifest)
        if known is not None:
            self._manifest = known
        write_manifest(self._files, self._manifest)

    def stands(self, row: StateRow) -> None:
        """What motion does has changed.

        Raises:
            StorageError: the manifest cannot be written.
        """
        stood = MotionStood(state=row.state, text=row.reason, ts=row.ts)
        with self._lock:
            self._manifest = msgspec.structs.replace(self._manifest, motion=stood)
            write_manifest(self._files, self._manifest)

    def met(self, findings: Findings, plan: ChunkPlan, verdict: NightVerdict | None) -> None:
        """What is known of the device when a chunk is sealed belongs to the run, and what its cycles say up to there.

        Raises:
            StorageError: the manifest cannot be written.
        """
        with self._lock:
            manifest = _sealed(with_findings(self._manifest, findings, plan), plan)
            if plan.chunk_no >= self._judged_chunk:  # one that is sealed late says nothing new
                manifest, self._judged_chunk = so_far(manifest, verdict), plan.chunk_no
            if manifest != self._manifest:
                self._manifest = manifest
                write_manifest(self._files, self._manifest)

    def end(self, ended: RunEnded, state: FixtureState) -> None:
        """The run has ended, and the core stands like this.

        Raises:
            StorageError: the manifest cannot be written.
        """
        with self._lock:
            manifest = with_end(self._manifest, ended, travel_of(state), unanswered(state))
            if (
                state.chunk.first - 1 > manifest.record_last
            ):  # its last chunk is not sealed yet: its tape waits
                last = {"chunk_last": state.chunk.no - 1, "record_last": state.chunk.first - 1}
                manifest = msgspec.structs.replace(manifest, **last)
            self._manifest = manifest
            write_manifest(self._files, self._manifest)


def torque_channel(sheet: bytes) -> str:
    """The torque entry of a device's sheet, as JSON text."""
    return msgspec.json.encode(msgspec.json.decode(sheet)["torque"]).decode()


def with_findings(manifest: Manifest, findings: Findings, plan: ChunkPlan) -> Manifest:
    """The manifest with what is known of the device at the end of a chunk; what it holds already stays.

    Of devices, checks and remembered torque the oldest give way. A torque table is never replaced: another one is added behind it.
    """
    if findings.sheet:
        manifest = _with_channel(manifest, torque_channel(findings.sheet), plan)
        manifest = _with_sheet(manifest, findings.sheet, plan.chunk_no, plan.epoch)
    devices = [*manifest.devices, *(each for each in findings.devices if each not in manifest.devices)]
    checks = [*manifest.shunt_checks, *(e for e in findings.shunt_checks if e not in manifest.shunt_checks)]
    told = [
        *manifest.torque_remembered,
        *(e for e in findings.remembered if e not in manifest.torque_remembered),
    ]
    return msgspec.structs.replace(
        manifest,
        devices=tuple(devices[-KEPT_MAX:]),
        shunt_checks=tuple(checks[-KEPT_MAX:]),
        torque_remembered=tuple(told[-KEPT_MAX:]),
    )


def _sealed(manifest: Manifest, plan: ChunkPlan) -> Manifest:
    """The manifest with the newest chunk of the run; in recovery its tape still waits until it is sealed."""
    if plan.last <= manifest.record_last:
        return manifest
    return msgspec.structs.replace(manifest, chunk_last=plan.chunk_no, record_last=plan.last)


def _with_channel(manifest: Manifest, channel: str, plan: ChunkPlan) -> Manifest:
    known = [manifest.torque_channel, *(each.torque_channel for each in manifest.torque_since)]
    if not known[0]:
        return msgspec.structs.replace(manifest, torque_channel=channel)
    if channel in known:
        return manifest
    since = TorqueSince(chunk_no=plan.chunk_no, epoch=plan.epoch, torque_channel=channel)
    return msgspec.structs.replace(manifest, torque_since=(*manifest.torque_since, since)[-KEPT_MAX:])


def _with_sheet(manifest: Manifest, sheet: bytes, chunk_no: int, epoch: int) -> Manifest:
    """The first sheets stay: of one that finds no room any more the cycles say by their digest that it was another."""
    text = sheet.decode()
    if len(manifest.sheets) >= KEPT_MAX or any(each.sheet == text for each in manifest.sheets):
        return manifest
    since = SheetSince(chunk_no=chunk_no, epoch=epoch, sheet=text)
    return msgspec.structs.replace(manifest, sheets=(*manifest.sheets, since))


def so_far(manifest: Manifest, verdict: NightVerdict | None) -> Manifest:
    """The manifest of a run that has not ended, with what its cycles say."""
    if verdict is None or manifest.state == ENDED:
        return manifest
    return msgspec.structs.replace(manifest, night_verdict=verdict)


def with_end(manifest: Manifest, ended: RunEnded, travel: Travel, locks: tuple[Lock, ...]) -> Manifest:
    """The manifest of a run that is over. The core's row is the one source: live, and fed from the tape after a crash."""
    motion = MotionStood(state=MotionState.ENDED.value, text=ended.reason, ts=ended.ts)
    return msgspec.structs.replace(
        manifest,
        state=ENDED,
        ended_utc_ns=ended.ts,
        reason=ended.reason,
        ended_by=ended.by,
        motion=motion,
        travel=travel,
        night_verdict=ended.night_verdict,
        locks=locks,
    )


def put_right(
    files: Files, fixture: str, state: FixtureState, plan: ChunkPlan, wire_version: str = f"{MAJOR}.{MINOR}"
) -> None:
    """Bring a manifest up to what recovery found on the tape up to the end of a chunk.

    Raises:
        StorageError: the manifest cannot be written.
    """
    assert state.run.opened is not None
    fresh = of_opened(fixture, state.run.opened, wire_version)
    known = _known(files, fresh)
    manifest = _sealed(with_findings(known or fresh, state.findings, plan), plan)
    manifest = so_far(manifest, state.run.night.verdict)
    if state.run.row is not None and manifest.state != ENDED:
        manifest = with_end(manifest, state.run.row, travel_of(state), unanswered(state))
    if manifest != known:
        write_manifest(files, manifest)


def write_ended(files: Files, fixture: str, state: FixtureState) -> None:
    """The manifest of a run that has ended, made again from its tape because nothing of it can be read.

    Raises:
        StorageError: the manifest cannot be written.
    """
    opened, row, found = state.run.opened, state.run.row, state.findings
    assert opened is not None
    assert row is not None
    fresh = msgspec.structs.replace(
        of_opened(fixture, opened, f"{MAJOR}.{MINOR}"),
        torque_channel=torque_channel(found.sheet) if found.sheet else "",
        devices=found.devices,
        shunt_checks=found.shunt_checks,
        torque_remembered=found.remembered,
        chunk_last=state.chunk.no - 1,  # its last cut is behind it
        record_last=state.chunk.first - 1,
    )
    if found.sheet:
        fresh = _with_sheet(fresh, found.sheet, fresh.chunk_last, state.epoch.no)
    write_manifest(files, with_end(fresh, row, travel_of(state), unanswered(state)))


def _known(files: Files, manifest: Manifest) -> Manifest | None:
    return usable_manifest(files, manifest.fixture, manifest.run)
