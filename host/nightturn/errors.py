"""The errors a caller can meet: each says what happened, where, and how to correct it."""


class NightturnError(Exception):
    """Base of every error that nightturn raises on purpose."""


class ConfigError(NightturnError):
    """A rig, variant, mount card or command line that cannot be used.

    Attributes:
        where: file, table and key, as a person would look for it.
        allowed: what would have been accepted.
    """

    def __init__(self, what: str, *, where: str = "", allowed: str = "") -> None:
        self.what = what
        self.where = where
        self.allowed = allowed
        parts = [f"{where}: {what}" if where else what]
        if allowed:
            parts.append(f"allowed: {allowed}")
        super().__init__("; ".join(parts))


class DeviceError(NightturnError):
    """The device or the line to it failed."""


class PortError(DeviceError):
    """The port is absent, busy or not permitted."""


class DeviceMismatchError(DeviceError):
    """What answers is not a device this host can talk to (other protocol, other major version)."""


class LinkLostError(DeviceError):
    """The link stayed silent for longer than its limit."""


class CalibrationError(NightturnError):
    """A calibration record is missing, contradictory or out of its range."""


class StorageError(NightturnError):
    """Something under the data root cannot be read or written."""


class RunNotFoundError(StorageError):
    """No run of that name, or no runs at all."""


class CorruptFileError(StorageError):
    """A file fails its checksum or cannot be parsed.

    Attributes:
        path: the file.
    """

    def __init__(self, path: str, what: str) -> None:
        self.path = path
        super().__init__(f"{path}: {what}")


class SchemaVersionError(StorageError):
    """A file was written by a newer major version."""


class TelemetryError(NightturnError):
    """Publishing failed; it never ends a run."""


class InsufficientSamplesError(NightturnError):
    """A figure was asked of too few samples."""
