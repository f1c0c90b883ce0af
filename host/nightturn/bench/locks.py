"""Who owns a data root, a line or a link: locks that the kernel lets go of when their process ends, however it ends.

A lock is a `flock` of a small file that says, for people only, who holds it. What the file says never decides: a pid is
reused, and one of another container or host means nothing here.
"""

import errno
import fcntl
import hashlib
import os
import socket
import stat
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

import msgspec

from nightturn.errors import PortError, StorageError
from nightturn.storage.files import RealFiles
from nightturn.storage.paths import ROOT_LOCK
from nightturn.transport.port import OnBytes, OnLost, Port

ROOT_WAIT_S = 1.0  # a command that writes one card holds the root for milliseconds
ROOT_POLL_S = 0.05
NOTE_BYTES_MAX = 4096
PRIVATE = 0o077


class Holder(msgspec.Struct, frozen=True):
    """Who holds a lock, as its file says.

    Attributes:
        command: what the process was started as, such as `nightturn serve`.
        socket: where a daemon that holds a data root takes requests; empty when it takes none.
        owner: for which of its fixtures a process holds a line.
    """

    pid: int = 0
    host: str = ""
    command: str = ""
    socket: str = ""
    owner: str = ""

    @property
    def words(self) -> str:
        """For a message."""
        if not self.pid:
            return "another process"
        return f"`{self.command}` (process {self.pid} on {self.host})"


class Lock:
    """A lock that is held until `release` or the end of the process."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self.path = path
        self._descriptor = descriptor

    @property
    def descriptor(self) -> int:
        """The open file: a child that inherits it holds the lock too, until both have ended."""
        return self._descriptor

    def note(self, holder: Holder) -> None:
        """Say in the file who holds it."""
        content = msgspec.json.encode(holder) + b"\n"
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, content, 0)

    def release(self) -> None:
        """Give it back; calling again does nothing."""
        if self._descriptor >= 0:
            os.ftruncate(self._descriptor, 0)
            os.close(self._descriptor)
            self._descriptor = -1


def us(command: str, address: str = "") -> Holder:
    """This process as a holder."""
    return Holder(os.getpid(), socket.gethostname(), command, address)


def holder_of(path: Path) -> Holder:
    """Who a lock's file names; an empty holder when it says nothing that can be read."""
    try:
        with path.open("rb") as file:
            return msgspec.json.decode(file.read(NOTE_BYTES_MAX), type=Holder)
    except (OSError, msgspec.DecodeError):
        return Holder()


def take(path: Path, holder: Holder) -> Lock | Holder:
    """Take a lock, or say who has it.

    Raises:
        OSError: the file cannot be made, or its file system has no locks.
    """
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            current = _is_at(path, descriptor)
        except OSError as error:
            os.close(descriptor)
            if error.errno in {errno.EWOULDBLOCK, errno.EACCES}:
                return holder_of(path)
            raise
        if current:
            lock = Lock(path, descriptor)
            lock.note(holder)
            return lock
        os.close(
            descriptor
        )  # somebody removed the file in between: what we locked is no longer what others see


def _is_at(path: Path, descriptor: int) -> bool:
    ours = os.fstat(descriptor)
    try:
        seen = path.stat()
    except FileNotFoundError:
        return False
    return (ours.st_dev, ours.st_ino) == (seen.st_dev, seen.st_ino)


def own_root(root: Path, command: str) -> Lock:
    """Become the only process that writes under a data root; the folder is made if it is absent.

    Raises:
        StorageError: another process holds it, or the folder cannot be written.
    """
    found = own_root_or_meet(root, command, lambda _holder: False)
    assert isinstance(found, Lock)
    return found


def own_root_or_meet(root: Path, command: str, may_ask: Callable[[Holder], bool]) -> Lock | Holder:
    """As `own_root`, or else whoever has it and may be asked to write instead.

    Raises:
        StorageError: a process that may not be asked holds it, or the folder cannot be written.
    """
    path, holder = root / ROOT_LOCK, us(command)
    until_s = time.monotonic() + ROOT_WAIT_S
    try:
        root.mkdir(parents=True, exist_ok=True)
        while isinstance(found := take(path, holder), Holder):
            if may_ask(found):
                return found
            if time.monotonic() >= until_s:
                raise StorageError(
                    f"{root}: {found.words} records into it and owns it until it ends; end that one first, or choose another "
                    "`data` in [bench]"
                )
            time.sleep(ROOT_POLL_S)
        if not RealFiles(root).files_left():
            found.release()
            raise StorageError(
                f"{root}: the disk takes no file more, whatever is free on it (no inode is left); remove some files"
            )
    except OSError as error:
        why = error.strerror or str(error)
        raise StorageError(
            f"{path}: cannot be locked: {why}; choose a folder you may write to, on a disk of this computer, as `data` in [bench]"
        ) from error
    return found


def runtime_folder() -> Path:
    """This user's folder for locks and sockets, for nobody else: `XDG_RUNTIME_DIR`, else one under the temp folder.

    Raises:
        PortError: somebody else's folder or file is in its place.
    """
    given = os.environ.get("XDG_RUNTIME_DIR", "")
    base = Path(given) if given and _is_private(Path(given)) else None
    folder = base / "nightturn" if base else Path(tempfile.gettempdir()) / f"nightturn-{os.getuid()}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        fine = _is_private(folder)
    except OSError as error:
        raise PortError(f"{folder}: {error.strerror}; locks of ports need this folder") from error
    if not fine:
        raise PortError(
            f"{folder}: must be a folder of yours that nobody else may open; remove it, or set XDG_RUNTIME_DIR to one"
        )
    return folder


def _is_private(folder: Path) -> bool:
    try:
        found = folder.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & PRIVATE


def take_named(key: str, what: str, holder: Holder) -> Lock:
    """Take the lock of that key in this user's runtime folder; `what` is for the message.

    Raises:
        PortError: another process holds it, or another fixture of the same daemon, or there is no place for it.
    """
    path = runtime_folder() / f"{key}.lock"
    try:
        found = take(path, holder)
    except OSError as error:
        raise PortError(f"{path}: cannot be locked: {error.strerror or error}") from error
    if isinstance(found, Holder):
        if found.owner and msgspec.structs.replace(found, owner=holder.owner) == holder:  # a worker beside
            raise PortError(_twice(what, found.owner))
        raise PortError(f"{what}: {found.words} holds it until it ends; end that one first")
    return found


def device_key(path: str) -> str:
    """The name of a character device's lock, by its number: two names of one device share it. Empty when there is none."""
    try:
        found = os.stat(path)  # noqa: PTH116 - a port's name may be empty, which is no path
    except OSError:
        return ""
    if not stat.S_ISCHR(found.st_mode):
        return ""
    return f"device-{os.major(found.st_rdev)}-{os.minor(found.st_rdev)}"


def address_key(host: str, port: int) -> str:
    """The name of a TCP address's lock, by what it resolves to. Empty when it does not."""
    try:
        *_, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except OSError:
        return ""
    return f"tcp-{quote(str(address[0]), safe='')}-{port}"


def link_key(link: Path) -> str:
    """The name of the lock of a link that is served, by the place of the link itself, not by what it points to."""
    place = link.parent.resolve() / link.name
    return f"link-{hashlib.sha256(os.fsencode(place)).hexdigest()[:32]}"


def _twice(line: str, owner: str) -> str:
    return f"{line}: is the line of {owner} too; two names of one device cannot both be used"


class PortLocks:
    """The lines that this process holds, each by its owner: kept while a line comes and goes, let go of with the process.

    Args:
        command: what this process is called in the message that others get.
        pid: which process they are told to end; 0: this one.
    """

    def __init__(self, command: str, pid: int = 0) -> None:
        here = us(command)
        self._us = msgspec.structs.replace(here, pid=pid or here.pid)
        self._held: dict[str, tuple[str, Lock]] = {}

    def hold(self, owner: str, name: str, key: str) -> None:
        """Hold the line of that key, and no other one, for this owner; an empty key holds none.

        A device that is gone, or has come back under another number, is not held any longer: its number may be
        somebody else's by now.

        Raises:
            PortError: another owner or another process holds it.
        """
        for old in [old for old, (by, _) in self._held.items() if by == owner and old != key]:
            self._held.pop(old)[1].release()
        if not key:
            return
        by, _ = self._held.get(key, ("", None))
        if by and by != owner:
            raise PortError(_twice(name, by))
        if not by:
            self._held[key] = (
                owner,
                take_named(key, name, msgspec.structs.replace(self._us, owner=owner)),
            )

    def release(self) -> None:
        """Let go of every line, at the end of a command that may not be its process's."""
        for _, lock in self._held.values():
            lock.release()
        self._held.clear()


class HeldPort:
    """A port that is locked before it is opened, because opening alone can reset a board.

    Users who share a machine have locks in folders of their own; between them the exclusive opening of the device
    itself decides (`transport.serial_port`).

    Args:
        key: the name of the line's lock, asked for at each opening, since a device may come back under another number.
    """

    def __init__(self, port: Port, owner: str, key: Callable[[], str], locks: PortLocks) -> None:
        self.name = port.name
        self._port = port
        self._owner = owner
        self._key = key
        self._locks = locks

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Take the lock, then open.

        Raises:
            PortError: held by another process, absent, busy or not permitted.
        """
        self._locks.hold(self._owner, self.name, self._key())
        self._port.open(on_bytes, on_lost)

    def write(self, content: bytes) -> None:
        """Hand bytes to the line."""
        self._port.write(content)

    def close(self) -> None:
        """Close the line, and keep the lock: an outage gives the device to nobody else."""
        self._port.close()
