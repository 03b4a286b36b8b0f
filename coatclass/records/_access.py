"""Who may come in: signed-in sessions and owners' links. Tokens are unguessable; only their hashes are kept."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta
from typing import TypeVar

from sqlalchemy import delete, select

from coatclass.errors import RecordError
from coatclass.records._records import Records
from coatclass.records._transaction import Reader
from coatclass.records._values import Dog, Link, Record, Session, User, now
from coatclass.records.tables import KINDS, from_row, links, sessions

R = TypeVar("R", bound=Record)
_TOKEN_BYTES = 32  # 256 bits: NIST SP 800-63B asks for 64 at least


def _hash(token: str) -> str:
    """SHA-256 suffices: a random token of 256 bits can't be guessed from it, unlike a password."""
    return hashlib.sha256(token.encode()).hexdigest()


def _by_token(reader: Reader, kind: type[R], token: str, at: datetime) -> R | None:
    table = KINDS[kind].table
    statement = select(table).where(table.c.token_hash == _hash(token), table.c.expires_at > at)
    row = reader.connection.execute(statement).mappings().first()
    return None if row is None else from_row(kind, row)


def start_session(records: Records, user: User, *, valid_for: timedelta, at: datetime | None = None) -> str:
    """Sign a user in; return the token for the browser's cookie, which is kept nowhere.

    Raises:
        RecordError: ``disabled`` if the user may not sign in.
    """
    at = at or now()
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with records.write(user.name) as writer:
        user = writer.get(User, user.id)
        if user.disabled:
            raise RecordError(user.name, "may not sign in.", "Ask whoever runs the server.", code="disabled")
        writer.connection.execute(delete(sessions).where(sessions.c.expires_at <= at))
        writer.add(Session(user_id=user.id, token_hash=_hash(token), started_at=at, expires_at=at + valid_for))
    return token


def session_user(records: Records, token: str, *, at: datetime | None = None) -> User | None:
    """Who is signed in with a token; None if it is unknown, has expired, or the user was disabled."""
    with records.read() as reader:
        session = _by_token(reader, Session, token, at or now())
        user = None if session is None else reader.get(User, session.user_id)
    return None if user is None or user.disabled else user


def end_session(records: Records, token: str) -> None:
    """Sign out; nothing happens if the token is unknown."""
    with records.write("sign-out") as writer:
        for session in writer.find(Session, token_hash=_hash(token)):
            writer.remove(session)


def end_all_sessions(records: Records, user: User, *, who: str) -> None:
    """Sign a user out everywhere, as after a change of password."""
    with records.write(who) as writer:
        for session in writer.find(Session, user_id=user.id):
            writer.remove(session)


def make_link(records: Records, dog_id: str, *, valid_for: timedelta, who: str, at: datetime | None = None) -> str:
    """An owner's way to one dog; return the token to put into the address, which is kept nowhere."""
    at = at or now()
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with records.write(who) as writer:
        writer.get(Dog, dog_id)
        writer.connection.execute(delete(links).where(links.c.expires_at <= at))
        writer.add(Link(dog_id=dog_id, token_hash=_hash(token), made_at=at, expires_at=at + valid_for))
    return token


def linked_dog(records: Records, token: str, *, at: datetime | None = None) -> Dog | None:
    """The one dog that a link shows; None if it is unknown or has expired."""
    with records.read() as reader:
        link = _by_token(reader, Link, token, at or now())
        return None if link is None else reader.get(Dog, link.dog_id)


def revoke_links(records: Records, dog_id: str, *, who: str) -> int:
    """Make all links to a dog useless; return how many there were."""
    with records.write(who) as writer:
        found = writer.find(Link, dog_id=dog_id)
        for link in found:
            writer.remove(link)
    return len(found)
