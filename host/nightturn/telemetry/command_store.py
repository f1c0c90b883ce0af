"""Which commands were taken, on the disk before anything comes of them: a repeated id acts once, also across a restart."""

import contextlib
import sqlite3
from pathlib import Path

from nightturn.errors import StorageError

NAME = "commands.sqlite"
KEPT_MAX = 10_000
"""Ids that are kept, the newest; an older message has expired long before."""
_TABLE = (
    "CREATE TABLE IF NOT EXISTS taken (number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE)"
)


class CommandStore:
    """Remembers ids; opened and closed at each use, because a command is rare."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def first(self, command_id: str) -> bool:
        """Whether nobody has used this id before; it is used from here on, and on the disk when this returns.

        Raises:
            StorageError: that cannot be kept, so nothing may come of the command.
        """
        try:
            with contextlib.closing(sqlite3.connect(self._path, timeout=1.0)) as base, base:
                base.execute("PRAGMA synchronous = FULL")
                base.execute(_TABLE)
                added = base.execute("INSERT OR IGNORE INTO taken (id) VALUES (?)", (command_id,)).rowcount
                base.execute(
                    "DELETE FROM taken WHERE number <= (SELECT max(number) FROM taken) - ?", (KEPT_MAX,)
                )
        except sqlite3.Error as error:
            raise StorageError(f"{self._path}: {error}") from error
        return added == 1
