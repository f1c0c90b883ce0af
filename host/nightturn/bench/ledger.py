"""The manifest of a run, kept up to date as the run begins, meets its device, and ends."""

import msgspec

from nightturn.errors import RunNotFoundError
from nightturn.fixture.state import FixtureState
from nightturn.model.facts import RunOpened
from nightturn.storage.manifest import ENDED, Manifest, of_opened, read_manifest, write_manifest
from nightturn.world import Files
from nightturn_protocol.messages import MAJOR, MINOR


class Ledger:
    """Writes the manifest of one run."""

    def __init__(self, files: Files, fixture: str, opened: RunOpened) -> None:
        self._files = files
        self._manifest: Manifest = of_opened(fixture, opened, f"{MAJOR}.{MINOR}")

    def begin(self) -> None:
        """The run has begun, or goes on: what is known of its device stays.

        Raises:
            StorageError: the manifest cannot be written.
        """
        known = _known(self._files, self._manifest)
        if known is not None:
            self._manifest = msgspec.structs.replace(self._manifest, torque_channel=known.torque_channel)
        write_manifest(self._files, self._manifest)

    def met(self, sheet: bytes) -> None:
        """The device's sheet is known: its torque entry belongs to the run.

        Raises:
            StorageError: the manifest cannot be written.
        """
        channel = torque_channel(sheet)
        if channel != self._manifest.torque_channel:
            self._manifest = msgspec.structs.replace(self._manifest, torque_channel=channel)
            write_manifest(self._files, self._manifest)

    def end(self, ts_ns: int, reason: str) -> None:
        """The run has ended.

        Raises:
            StorageError: the manifest cannot be written.
        """
        self._manifest = msgspec.structs.replace(
            self._manifest, state=ENDED, ended_utc_ns=ts_ns, reason=reason
        )
        write_manifest(self._files, self._manifest)


def torque_channel(sheet: bytes) -> str:
    """The torque entry of a device's sheet, as JSON text."""
    return msgspec.json.encode(msgspec.json.decode(sheet)["torque"]).decode()


def put_right(
    files: Files, fixture: str, state: FixtureState, wire_version: str = f"{MAJOR}.{MINOR}"
) -> None:
    """Bring a manifest up to what recovery found on the tape.

    Raises:
        StorageError: the manifest cannot be written.
    """
    assert state.opened is not None
    fresh = of_opened(fixture, state.opened, wire_version)
    known = _known(files, fresh)
    manifest = known or fresh
    if state.sheet:
        manifest = msgspec.structs.replace(manifest, torque_channel=torque_channel(state.sheet))
    if state.ended and manifest.state != ENDED:
        manifest = msgspec.structs.replace(
            manifest, state=ENDED, ended_utc_ns=state.ended_ts, reason=state.planner.reason
        )
    if manifest != known:
        write_manifest(files, manifest)


def _known(files: Files, manifest: Manifest) -> Manifest | None:
    try:
        return read_manifest(files, manifest.fixture, manifest.run)
    except RunNotFoundError:
        return None
