"""People who sign in, and their passwords: hashed with Argon2id (RFC 9106), never kept or shown."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from sqlalchemy import select

from coatclass.errors import MissingExtraError, RecordError
from coatclass.records._access import end_all_sessions
from coatclass.records._records import Records
from coatclass.records._transaction import valid
from coatclass.records._values import User, UserRole
from coatclass.records.tables import folded, from_row, users

if TYPE_CHECKING:
    from argon2 import PasswordHasher

__all__ = [
    "SHORTEST_PASSWORD",
    "add_user",
    "find_user",
    "hash_password",
    "password_matches",
    "set_disabled",
    "set_password",
]

SHORTEST_PASSWORD = 10
"""Characters; NIST SP 800-63B asks for 8 at least."""


@cache
def _hasher() -> PasswordHasher:
    """The library's defaults are RFC 9106's second choice."""
    try:
        from argon2 import PasswordHasher
    except ImportError as error:
        raise MissingExtraError("Signing in", "web") from error
    return PasswordHasher()


@cache
def _nobody() -> str:
    return _hasher().hash("nobody")


def hash_password(password: str) -> str:
    """The hash to keep.

    Raises:
        RecordError: ``short`` if the password has too few characters.
    """
    if len(password) < SHORTEST_PASSWORD:
        raise RecordError(
            "the password", f"has fewer than {SHORTEST_PASSWORD} characters.", "Choose a longer one.", code="short"
        )
    return _hasher().hash(password)


def password_matches(password: str, user: User | None) -> bool:
    """Whether it is the user's password; takes as long for nobody, so that the time doesn't tell who exists."""
    hasher = _hasher()
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        right = hasher.verify(_nobody() if user is None else user.password_hash, password)
    except (VerificationError, InvalidHashError):
        return False
    return right and user is not None


def find_user(records: Records, name: str) -> User | None:
    """The user of that name, without regard to case."""
    with records.read() as reader:
        row = reader.connection.execute(select(users).where(users.c.sought == folded(name))).mappings().first()
    return None if row is None else from_row(User, row)


def add_user(records: Records, name: str, password: str, role: UserRole) -> User:
    """Make somebody known who signs in.

    Raises:
        RecordError: ``short`` if the password is too short, ``exists`` if the name is taken, ``bad_value``.
    """
    hashed = hash_password(password)
    if find_user(records, name) is not None:
        raise RecordError(name, "is taken.", "Choose another name.", code="exists")
    return records.add(valid(User, name=name.strip(), role=role, password_hash=hashed), who=name)


def set_password(records: Records, user: User, password: str, *, who: str) -> User:
    """Give a user another password and end all sessions that began with the old one.

    Raises:
        RecordError: ``short`` if the password is too short.
    """
    changed = records.change(user, who=who, password_hash=hash_password(password))
    end_all_sessions(records, changed, who=who)
    return changed


def set_disabled(records: Records, user: User, disabled: bool, *, who: str) -> User:
    """Shut a user out at once, or let them in again; what they entered stays."""
    changed = records.change(user, who=who, disabled=disabled)
    if disabled:
        end_all_sessions(records, changed, who=who)
    return changed
