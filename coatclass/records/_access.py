"""Who comes in: people with passwords, their sessions, links to one dog, and how often somebody tried.

Only hashes are kept: of passwords by Argon2id (RFC 9106), of tokens, which can't be guessed, by SHA-256.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING, TypeVar

from sqlalchemy import Connection, Table, delete, func, select, text
from sqlalchemy.dialects.postgresql import insert

from coatclass.errors import MissingExtraError, RecordError
from coatclass.records._store import Reader, Records, Writer, valid
from coatclass.records._values import Dog, Link, Record, Session, User, UserRole, now
from coatclass.records.database import plain_errors
from coatclass.records.tables import KINDS, counts, folded, from_row, links, salon, sessions, users

if TYPE_CHECKING:
    from argon2 import PasswordHasher


R = TypeVar("R", bound=Record)
_TOKEN_BYTES = 32  # 256 bits: NIST SP 800-63B asks for 64 at least
# So long a link that has expired is kept: a clock that is a year ahead for an hour must not cost every owner their dog.
_LINKS_KEPT = timedelta(days=400)


def _hash(token: str) -> str:
    """SHA-256 suffices: a random token of 256 bits can't be guessed from it, unlike a password."""
    return hashlib.sha256(token.encode()).hexdigest()


def _shared(reader: Reader) -> bool:
    return reader.connection.dialect.name == "postgresql"


def _present(reader: Reader) -> datetime:
    """The moment by which tokens expire: by the database's clock where machines share one, whatever their own say."""
    if not _shared(reader):
        return now()
    at: datetime = reader.connection.execute(select(func.now())).scalar_one()
    return at


def _by_token(reader: Reader, kind: type[R], token: str, at: datetime | None) -> R | None:
    table = KINDS[kind].table
    present = at or (func.now() if _shared(reader) else now())
    statement = select(table).where(table.c.token_hash == _hash(token), table.c.expires_at > present)
    row = reader.connection.execute(statement).mappings().first()
    return None if row is None else from_row(kind, row)


def _forget_expired(writer: Writer, table: Table, at: datetime) -> None:
    """Delete all expired tokens; rows locked by another transaction are left for the next time."""
    old = select(table.c.id).where(table.c.expires_at <= at).with_for_update(skip_locked=True)
    writer.connection.execute(delete(table).where(table.c.id.in_(old)))


def start_session(records: Records, user: User, *, valid_for: timedelta, at: datetime | None = None) -> str:
    """Sign a user in; return the token for the browser's cookie. Only its hash is kept.

    Args:
        user: as it was when the password was found right.

    Raises:
        RecordError: ``disabled`` if the user may not sign in, or has another password by now.
    """
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with records.write(user.name, only=user.id) as writer:
        at = at or _present(writer)
        present = writer.get(User, user.id)
        if present.disabled or present.password_hash != user.password_hash:
            raise RecordError(user.name, "may not sign in.", "Ask whoever runs the server.", code="disabled")
        _forget_expired(writer, sessions, at)
        writer.add(Session(user_id=user.id, token_hash=_hash(token), started_at=at, expires_at=at + valid_for))
    return token


def session_user(records: Records, token: str, *, at: datetime | None = None) -> User | None:
    """Who is signed in with a token; None if it is unknown, has expired, or the user was disabled."""
    with records.read() as reader:
        session = _by_token(reader, Session, token, at)
        user = None if session is None else reader.get(User, session.user_id)
    return None if user is None or user.disabled else user


def end_session(records: Records, token: str) -> None:
    """Sign out; nothing happens if the token is unknown."""
    for seen in records.find(Session, token_hash=_hash(token)):
        with records.write("sign-out", only=seen.user_id) as writer:
            for session in writer.find(Session, id=seen.id):
                writer.remove(session)


def end_all_sessions(records: Records, user: User, *, who: str) -> None:
    """Sign a user out everywhere, as after a change of password. ``who`` is noted in the audit trail."""
    with records.write(who, only=user.id) as writer:
        _end_sessions(writer, user)


def _end_sessions(writer: Writer, user: User) -> None:
    for session in writer.find(Session, user_id=user.id):
        writer.remove(session)


def make_link(records: Records, dog_id: str, *, valid_for: timedelta, who: str, at: datetime | None = None) -> str:
    """Make an owner's link to one dog; return the token for its address. Only its hash is kept.

    Args:
        valid_for: how long the link leads to the dog, from ``at`` (now, if None) on.
        who: whose act it is, for the audit trail.

    Raises:
        RecordError: ``not_found`` if there is no such dog.
    """
    with records.write(who, only=dog_id) as writer:
        return add_link(writer, dog_id, valid_for=valid_for, at=at)


def add_link(writer: Writer, dog_id: str, *, valid_for: timedelta, at: datetime | None = None) -> str:
    """As :func:`make_link`, together with whatever else the transaction changes."""
    at = at or _present(writer)
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    writer.get(Dog, dog_id)
    _forget_expired(writer, links, at - _LINKS_KEPT)
    writer.add(Link(dog_id=dog_id, token_hash=_hash(token), made_at=at, expires_at=at + valid_for))
    return token


def linked_dog(records: Records, token: str, *, at: datetime | None = None) -> Dog | None:
    """The one dog that a link shows; None if it is unknown or has expired."""
    with records.read() as reader:
        link = _by_token(reader, Link, token, at)
        return None if link is None else reader.get(Dog, link.dog_id)


def revoke_links(records: Records, dog_id: str, *, who: str) -> int:
    """Revoke all links to a dog; return how many there were. ``who`` is noted in the audit trail."""
    with records.write(who, only=dog_id) as writer:
        found = writer.find(Link, dog_id=dog_id)
        for link in found:
            writer.remove(link)
    return len(found)


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
    """Whether it is the user's password; takes equally long for an unknown user, so timing reveals no names."""
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
    """Add a user.

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
    hashed = hash_password(password)
    with records.write(who, only=user.id) as writer:
        _end_sessions(writer, user)
        return writer.change(user, password_hash=hashed)


def set_disabled(records: Records, user: User, disabled: bool, *, who: str) -> User:
    """Shut a user out at once, or let them in again; what they entered stays."""
    with records.write(who, only=user.id) as writer:
        if disabled:
            _end_sessions(writer, user)
        return writer.change(user, disabled=disabled)


# --- counts that servers share ----------------------------------------------------------------------------------------


_SWEEP_EVERY_S = 60.0
Kept = dict[tuple[str, ...], tuple[float, float]]


class SharedCounts:
    """A number and the second it was last changed under each key, on PostgreSQL.

    Only keyed digests of the keys are kept. Whoever reads the whole database could still try every IPv4 address, so
    that rows are deleted once they are ``forgotten_after_s`` old.
    """

    def __init__(self, records: Records, *, forgotten_after_s: float) -> None:
        self._engine, self._source = records.engine, records.source
        self._forgotten_after_s = forgotten_after_s
        self._swept_at = float("-inf")
        with records.read() as reader:
            self._secret = str(reader.connection.execute(select(salon.c.id)).scalar_one()).encode()

    @contextmanager
    def changing(self, keys: Sequence[tuple[str, ...]]) -> Iterator[tuple[Kept, float]]:
        """What is kept under the keys, and the time now, s; what stands there afterwards is kept.

        No other server reads or changes these keys meanwhile.

        Raises:
            RecordError: ``unavailable``.
        """
        names = {self._digest(key): key for key in keys}
        with plain_errors(self._source), self._engine.connect() as connection, connection.begin():
            for name in sorted(names):  # everybody locks in the same order: no deadlock
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _lock_number(name)})
            now = float(connection.execute(text("SELECT extract(epoch FROM clock_timestamp())")).scalar_one())
            found = connection.execute(select(counts).where(counts.c.key.in_(names)))
            kept: Kept = {names[row.key]: (row.number, row.at) for row in found}
            before = dict(kept)
            yield kept, now
            self._write(connection, {name: (before.get(key), kept.get(key)) for name, key in names.items()})
            self._sweep(connection, now)

    def _digest(self, key: tuple[str, ...]) -> str:
        return hashlib.blake2b("\0".join(key).encode(), key=self._secret, digest_size=32).hexdigest()

    @staticmethod
    def _write(
        connection: Connection, changed: dict[str, tuple[tuple[float, float] | None, tuple[float, float] | None]]
    ) -> None:
        for name, (before, after) in changed.items():
            if after is None and before is not None:
                connection.execute(delete(counts).where(counts.c.key == name))
            elif after is not None and after != before:
                values = {"number": after[0], "at": after[1]}
                statement = insert(counts).values(key=name, **values)
                connection.execute(statement.on_conflict_do_update(index_elements=["key"], set_=values))

    def _sweep(self, connection: Connection, now: float) -> None:
        """Now and then delete what is old; rows locked by another transaction are left for the next time."""
        if time.monotonic() - self._swept_at > _SWEEP_EVERY_S:
            self._swept_at = time.monotonic()
            old = select(counts.c.key).where(counts.c.at < now - self._forgotten_after_s)
            connection.execute(delete(counts).where(counts.c.key.in_(old.with_for_update(skip_locked=True))))


def _lock_number(name: str) -> int:
    """The digest as the signed 64 bits that name an advisory lock."""
    return int.from_bytes(bytes.fromhex(name[:16]), signed=True)
