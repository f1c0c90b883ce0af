"""Who may look and act on the page: names, roles, hashes of passwords, sessions; a file of its own in the data root.

A password is kept as its Argon2id hash (RFC 9106), a session and a set-up code as their SHA-256: whoever reads the file can sign in with
nothing in it. A session is an opaque word that a line of this file makes valid, so revoking a person ends it at the next request.
"""

import contextlib
import hashlib
import os
import secrets
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from nightturn.errors import ConfigError, StorageError

FILE = "page/people.sqlite"
CODE_S = 24 * 3600
"""A set-up code is good for a day."""
IDLE_S = 12 * 3600
"""A session that nobody uses for so long is over."""
PASSWORD_LENGTH = (10, 200)
NAME_LENGTH_MAX = 80
PEOPLE_MAX = 1000
BUSY_S = 5.0
TABLES = """
create table if not exists people (
    name text primary key, role text not null, hash text not null, code text not null, code_until real not null, added real not null
);
create table if not exists sessions (token text primary key, name text not null, seen real not null);
"""


class Role(StrEnum):
    """What a person may do: see; see and acknowledge, pause, stop; an admin also adds and revokes people."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    ADMIN = "admin"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is signed in, or may be."""

    name: str
    role: Role

    @property
    def may_act(self) -> bool:
        """Whether the person may acknowledge, pause and stop."""
        return self.role is not Role.VIEWER

    @property
    def may_admit(self) -> bool:
        """Whether the person may add and revoke people."""
        return self.role is Role.ADMIN


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the list of people; `set_up` says whether a password has been chosen."""

    name: str
    role: str
    set_up: bool
    sessions: int


class People:
    """One SQLite file that is opened anew for every question, so that what the command line changes holds at once.

    Times are seconds of the wall clock, given with each question.

    Raises:
        StorageError: every method, when SQLite refuses.
    """

    def __init__(self, root: Path) -> None:
        self._path = root / FILE

    def add(self, name: str, role: Role, now_s: float) -> str:
        """A person, or another role or a forgotten password for one who is there; returns the code that sets a password once.

        Raises:
            ConfigError: the name cannot be used, or there are too many.
        """
        if not name.strip() or len(name) > NAME_LENGTH_MAX or not name.isprintable() or name != name.strip():
            raise ConfigError(
                f"{name!r} cannot be used",
                where="NAME",
                allowed=f"up to {NAME_LENGTH_MAX} printable characters",
            )
        code = "-".join(secrets.token_hex(2) for _ in range(5))
        with self._rows(make=True) as rows:
            if rows.execute("select count(*) from people").fetchone()[0] >= PEOPLE_MAX:
                raise ConfigError("there are too many", where="NAME", allowed=f"at most {PEOPLE_MAX} people")
            rows.execute("delete from sessions where name = ?", (name,))
            rows.execute(
                "insert or replace into people values (?, ?, '', ?, ?, ?)",
                (name, role.value, _digest(code), now_s + CODE_S, now_s),
            )
        return code

    def revoke(self, name: str) -> bool:
        """Take a person off, with every session; whether there was one."""
        with self._rows() as rows:
            rows.execute("delete from sessions where name = ?", (name,))
            return rows.execute("delete from people where name = ?", (name,)).rowcount > 0

    def listed(self) -> list[Listed]:
        """Everybody, by name; who only asks makes no file."""
        if not self._path.exists():
            return []
        with self._rows() as rows:
            found = rows.execute(
                "select name, role, hash != '', (select count(*) from sessions s where s.name = p.name) from people p order by name"
            )
            return [Listed(name, role, bool(done), count) for name, role, done, count in found]

    def set_up(self, name: str, code: str, password_hash: str, now_s: float) -> bool:
        """Set the password of a person who holds the code, once; whether that was done."""
        with self._rows() as rows:
            done = rows.execute(
                "update people set hash = ?, code = '' where name = ? and code = ? and code != '' and code_until > ?",
                (password_hash, name, _digest(code), now_s),
            )
            return done.rowcount > 0

    def hash_of(self, name: str) -> str:
        """The hash of a person's password; empty where there is no such person or no password yet."""
        with self._rows() as rows:
            found = rows.execute("select hash from people where name = ?", (name,)).fetchone()
            return str(found[0]) if found else ""

    def begin(self, name: str, now_s: float) -> str:
        """A session of a person; its word is known to nobody but the browser that gets it."""
        token = secrets.token_urlsafe(32)
        with self._rows() as rows:
            rows.execute("delete from sessions where seen < ?", (now_s - IDLE_S,))
            rows.execute("insert into sessions values (?, ?, ?)", (_digest(token), name, now_s))
        return token

    def end(self, token: str) -> None:
        """A person signs out."""
        with self._rows() as rows:
            rows.execute("delete from sessions where token = ?", (_digest(token),))

    def person(self, token: str, now_s: float) -> Person | None:
        """Whose session it is; None where it is over, or of somebody who was revoked."""
        if not token:
            return None
        with self._rows() as rows:
            found = rows.execute(
                "select p.name, p.role, s.seen from sessions s join people p on p.name = s.name where s.token = ? and s.seen > ?",
                (_digest(token), now_s - IDLE_S),
            ).fetchone()
            if found is None:
                return None
            if now_s - found[2] > IDLE_S / 100:
                rows.execute("update sessions set seen = ? where token = ?", (now_s, _digest(token)))
            return Person(found[0], Role(found[1]))

    @contextlib.contextmanager
    def _rows(self, *, make: bool = False) -> Iterator[sqlite3.Connection]:
        """The file in one transaction; one that is not there is empty, and is made for who adds the first person."""
        try:
            if make:
                self._path.parent.mkdir(mode=0o700, exist_ok=True)
                os.close(os.open(self._path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600))
            place = str(self._path) if self._path.exists() else ":memory:"
            with contextlib.closing(sqlite3.connect(place, timeout=BUSY_S)) as rows, rows:
                rows.executescript(TABLES) if make or place == ":memory:" else None
                yield rows
        except (sqlite3.Error, OSError) as error:
            raise StorageError(f"{self._path}: {error}") from error


def _digest(word: str) -> str:
    return hashlib.sha256(word.encode()).hexdigest()
