"""The errors a caller can meet: each says what happened, where, and how to correct it."""

import re
from pathlib import PurePath

DEBUG = "NIGHTTURN_DEBUG"
"""The environment variable with which errors show where they happened."""
_NUMBER = re.compile(r"\[Errno -?\d+\] ")
_OURS = ("nightturn", "nightturn_protocol")


def plain(text: str) -> str:
    """A text without the numbers that the system's errors begin with."""
    return _NUMBER.sub("", text)


def fault(error: BaseException) -> str:
    """`KeyError at storage/verify.py:120`: what to send of a fault that is nightturn's own."""
    at, trace = "", error.__traceback__
    while trace is not None:
        parts = PurePath(trace.tb_frame.f_code.co_filename).parts
        package = max((n for n, part in enumerate(parts) if part in _OURS), default=None)
        if package is not None:
            at = f" at {'/'.join(parts[package + 1 :])}:{trace.tb_lineno}"
        trace = trace.tb_next
    return f"{type(error).__name__}{at}"


class NightturnError(Exception):
    """Base of every error that nightturn raises on purpose."""

    def __init__(self, text: str = "") -> None:
        super().__init__(plain(text))


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


class ForeignFileError(CorruptFileError):
    """A whole file lies where another belongs: it says itself that it is of another run, dataset or stretch."""


class SchemaVersionError(StorageError):
    """A file was written by a newer major version."""


class ObjectStoreError(NightturnError):
    """An object store cannot be reached, refuses, or does not give back what was written to it."""


class NotWholeError(ObjectStoreError):
    """An object store has not the whole of a run or of a file, or gives back other bytes than were written."""


class TelemetryError(NightturnError):
    """Publishing failed; it never ends a run."""


class TableError(NightturnError):
    """A table that another program saved cannot be read: says file, line, column and the remedy."""


class InsufficientSamplesError(NightturnError):
    """A figure was asked of too few samples."""
