"""Passwords as Argon2id hashes, worked out a few at a time so that a flood of tries cannot take the machine."""

import threading
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from argon2 import PasswordHasher

AT_ONCE = threading.Semaphore(1)
"""A hash takes 64 MiB and a quarter of a second of a core."""


def hashed(password: str) -> str:
    """The hash of a password."""
    with AT_ONCE:
        return _hasher().hash(password)


def matches(known: str, password: str) -> bool:
    """Whether a password is that of a hash; with no hash as slow as with one, so that nobody learns who exists."""
    from argon2.exceptions import InvalidHashError, VerificationError

    with AT_ONCE:
        try:
            _hasher().verify(known or _of_nobody(), password)
        except (VerificationError, InvalidHashError):
            return False
    return bool(known)


@cache
def _hasher() -> "PasswordHasher":
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def _of_nobody() -> str:
    import secrets

    return _hasher().hash(secrets.token_hex(16))
