"""The manifest of a run, kept up to date as the run begins, meets its device, and ends."""

import msgspec

from nightturn.model.facts import RunOpened
from nightturn.storage.manifest import Manifest, of_opened, write_manifest
from nightturn.world import Files
from nightturn_protocol.messages import MAJOR, MINOR


class Ledger:
    """Writes the manifest of one run."""

    def __init__(self, files: Files, fixture: str, opened: RunOpened) -> None:
        self._files = files
        self._manifest: Manifest = of_opened(fixture, opened, f"{MAJOR}.{MINOR}")

    def begin(self) -> None:
        """The run has begun.

        Raises:
            StorageError: the manifest cannot be written.
        """
        write_manifest(self._files, self._manifest)

    def met(self, sheet: bytes) -> None:
        """The device's sheet is known: its torque entry belongs to the run.

        Raises:
            StorageError: the manifest cannot be written.
        """
        channel = msgspec.json.encode(msgspec.json.decode(sheet)["torque"]).decode()
        if channel != self._manifest.torque_channel:
            self._manifest = msgspec.structs.replace(self._manifest, torque_channel=channel)
            write_manifest(self._files, self._manifest)

    def end(self, ts_ns: int, reason: str) -> None:
        """The run has ended.

        Raises:
            StorageError: the manifest cannot be written.
        """
        self._manifest = msgspec.structs.replace(self._manifest, state="ended", ended_utc_ns=ts_ns, reason=reason)
        write_manifest(self._files, self._manifest)
