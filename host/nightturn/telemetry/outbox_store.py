"""The outbox on the disk: SQLite with a write-ahead log, written in one transaction at a time beside whoever publishes.

A crash may lose what came in the last `FLUSH_S`, and may repeat what was delivered then: `seq` and `daemon_boot` show both.
Everything is in the files of the fixtures in any case.
"""

import contextlib
import sqlite3
import threading
from pathlib import Path

from nightturn.errors import StorageError
from nightturn.telemetry.message import Message

NAME = "outbox.sqlite"
FLUSH_S = 0.5
LAYOUT = 1
PARKED_MAX = 1000
"""Refused messages that are kept, the newest."""
WORDS_MAX = 200_000
"""Changes that wait for a disk which takes none; what is beyond is kept in memory only."""
_TABLES = """
CREATE TABLE IF NOT EXISTS outbox (number INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload BLOB NOT NULL, expiry_s INTEGER, series TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS parked (number INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, payload BLOB NOT NULL, reason TEXT NOT NULL);
"""
_ADD = "INSERT OR REPLACE INTO outbox VALUES (?, ?, ?, ?, ?)"
_REMOVE = "DELETE FROM outbox WHERE number = ?"
_PARK = "INSERT INTO parked (topic, payload, reason) VALUES (?, ?, ?)"
_FORGET = "DELETE FROM parked WHERE number <= (SELECT max(number) FROM parked) - ?"

_Word = tuple[str, tuple[object, ...]]


class OutboxStore:
    """Keeps one outbox; `flush` may be called from any one thread at a time, the rest from any.

    Attributes:
        unkept: changes that found `WORDS_MAX` of them waiting.
        damaged: where a file that was none was put aside; empty without one.
    """

    def __init__(self, path: Path) -> None:
        """Open it, or begin another one beside a file that is damaged.

        Raises:
            StorageError: it can be neither read nor made.
        """
        self.unkept = 0
        self.damaged = ""
        self._path = path
        self._words: list[_Word] = []
        self._lock = threading.Lock()
        try:
            self._base = self._opened()
        except sqlite3.DatabaseError:
            aside = path.with_suffix(".damaged")
            try:
                path.replace(aside)
                self._base = self._opened()
            except (OSError, sqlite3.Error) as error:
                raise StorageError(f"{path}: {error}") from error
            self.damaged = str(aside)

    def load(self) -> list[tuple[int, Message]]:
        """What an earlier daemon had not delivered, in order."""
        rows = self._base.execute(
            "SELECT number, topic, payload, expiry_s, series FROM outbox ORDER BY number"
        )
        return [
            (number, Message(topic, bytes(payload), expiry_s=expiry_s, series=series))
            for number, topic, payload, expiry_s, series in rows
        ]

    def refused(self) -> list[tuple[str, str]]:
        """Topic and reason of the messages that were kept aside, the oldest first."""
        return list(self._base.execute("SELECT topic, reason FROM parked ORDER BY number"))

    def added(self, number: int, message: Message) -> None:
        """A message waits."""
        self._say(_ADD, (number, message.topic, message.payload, message.expiry_s, message.series))

    def removed(self, number: int) -> None:
        """It has arrived, or was given up."""
        self._say(_REMOVE, (number,))

    def parked(self, message: Message, reason: str) -> None:
        """The broker does not take it."""
        self._say(_PARK, (message.topic, message.payload, reason))

    def flush(self) -> None:
        """Put what was said into the file, in one transaction.

        Raises:
            StorageError: the disk takes nothing; the next flush tries again.
        """
        with self._lock:
            words, self._words = self._words, []
        if not words:
            return
        try:
            with self._base:
                for statement, values in words:
                    self._base.execute(statement, values)
                self._base.execute(_FORGET, (PARKED_MAX,))
        except sqlite3.Error as error:
            with self._lock:
                self._words = [*words, *self._words]
            raise StorageError(f"{self._path}: {error}") from error

    def close(self) -> None:
        """Flush what there is, and let go of the file."""
        with contextlib.suppress(StorageError):
            self.flush()
        self._base.close()

    def _opened(self) -> sqlite3.Connection:
        base = sqlite3.connect(self._path, check_same_thread=False)
        try:
            base.execute("PRAGMA journal_mode=WAL")
            base.execute("PRAGMA synchronous=NORMAL")
            (layout,) = base.execute("PRAGMA user_version").fetchone()
            if layout not in {0, LAYOUT}:
                raise sqlite3.DatabaseError(f"layout {layout}, this program knows {LAYOUT}")
            base.executescript(_TABLES)
            base.execute(f"PRAGMA user_version={LAYOUT}")
            base.execute("SELECT count(*) FROM outbox").fetchone()
            base.commit()
        except sqlite3.Error:
            base.close()
            raise
        return base

    def _say(self, statement: str, values: tuple[object, ...]) -> None:
        with self._lock:
            if len(self._words) >= WORDS_MAX:
                self.unkept += 1
                return
            self._words.append((statement, values))
