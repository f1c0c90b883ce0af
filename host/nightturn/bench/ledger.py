"""The manifest of a run, kept up to date as the run begins, meets its device, and ends."""

import threading

import msgspec

from nightturn.fixture.state import FixtureState
from nightturn.fixture.travel import travel_of
from nightturn.model.device import KEPT_MAX, Findings
from nightturn.model.facts import RunOpened, Travel
from nightturn.model.rows import ChunkPlan, RunEnded, StateRow
from nightturn.motion.permission import MotionState
from nightturn.storage.manifest import (
    ENDED,
    Manifest,
    MotionStood,
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

    def met(self, findings: Findings, plan: ChunkPlan) -> None:
        """What is known of the device when a chunk is sealed belongs to the run.

        Raises:
            StorageError: the manifest cannot be written.
        """
        with self._lock:
            manifest = with_findings(self._manifest, findings, plan)
            if manifest != self._manifest:
                self._manifest = manifest
                write_manifest(self._files, self._manifest)

    def end(self, ended: RunEnded, travel: Travel) -> None:
        """The run has ended, and its travel stands like this.

        Raises:
            StorageError: the manifest cannot be written.
        """
        with self._lock:
            self._manifest = with_end(self._manifest, ended, travel)
            write_manifest(self._files, self._manifest)


def torque_channel(sheet: bytes) -> str:
    """The torque entry of a device's sheet, as JSON text."""
    return msgspec.json.encode(msgspec.json.decode(sheet)["torque"]).decode()


def with_findings(manifest: Manifest, findings: Findings, plan: ChunkPlan) -> Manifest:
    """The manifest with what is known of the device at the end of a chunk; what it holds already stays.

    Of devices, checks and remembered torque the oldest give way. A torque table is never replaced: another one is added behind it.
    """
    manifest = _with_channel(manifest, torque_channel(findings.sheet), plan) if findings.sheet else manifest
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


def _with_channel(manifest: Manifest, channel: str, plan: ChunkPlan) -> Manifest:
    known = [manifest.torque_channel, *(each.torque_channel for each in manifest.torque_since)]
    if not known[0]:
        return msgspec.structs.replace(manifest, torque_channel=channel)
    if channel in known:
        return manifest
    since = TorqueSince(chunk_no=plan.chunk_no, epoch=plan.epoch, torque_channel=channel)
    return msgspec.structs.replace(manifest, torque_since=(*manifest.torque_since, since)[-KEPT_MAX:])


def with_end(manifest: Manifest, ended: RunEnded, travel: Travel) -> Manifest:
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
    manifest = with_findings(known or fresh, state.findings, plan)
    if state.run.row is not None and manifest.state != ENDED:
        manifest = with_end(manifest, state.run.row, travel_of(state))
    if manifest != known:
        write_manifest(files, manifest)


def _known(files: Files, manifest: Manifest) -> Manifest | None:
    return usable_manifest(files, manifest.fixture, manifest.run)
