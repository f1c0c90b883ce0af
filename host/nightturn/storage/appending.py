"""Lines that are made durable at the end of a file which is only ever added to."""

from nightturn.errors import StorageError
from nightturn.world import Files


def append_lines(files: Files, path: str, lines: bytes) -> None:
    """Make whole lines durable; a torn last one, which was never in force, is cut off first.

    Raises:
        StorageError: they may not be durable.
    """
    folder, _, name = path.rpartition("/")
    try:
        if name in files.list(folder):
            content = files.read(path)
            if not content.endswith(b"\n"):
                files.truncate(path, content.rfind(b"\n") + 1)
        files.append(path, lines)
        files.sync(path)
        files.sync_dir(folder)
    except OSError as problem:
        raise StorageError(f"{path}: {problem}") from problem
