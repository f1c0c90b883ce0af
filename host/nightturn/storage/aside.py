"""Files that cannot be used are kept under another name beside their place; nothing is deleted."""

from nightturn.world import Files

TORN_SUFFIX = ".torn"
UNREADABLE_SUFFIX = ".unreadable"
SET_ASIDE_MAX = 1000


def set_aside(files: Files, path: str, suffix: str = UNREADABLE_SUFFIX) -> str:
    """Keep a file that cannot be used under another name beside its place; returns the name.

    Raises:
        OSError: it cannot be renamed.
    """
    folder, _, name = path.rpartition("/")
    folder = folder or "."
    present = files.list(folder)
    tries = (f"{name}{suffix}", *(f"{name}{suffix}-{number}" for number in range(2, SET_ASIDE_MAX)))
    free = next((each for each in tries if each not in present), None)
    if free is None:
        raise FileExistsError(f"{path}: {SET_ASIDE_MAX} files of its name have been set aside; look at them")
    files.replace(path, f"{folder}/{free}")
    files.sync_dir(folder)
    return f"{folder}/{free}"
