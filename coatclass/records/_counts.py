"""Counts that all servers on one PostgreSQL share: how often somebody asked, or tried to sign in."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from sqlalchemy import Connection, delete, select, text
from sqlalchemy.dialects.postgresql import insert

from coatclass.records._store import Records
from coatclass.records.database import plain_errors
from coatclass.records.tables import counts, salon

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
            for name in sorted(names):  # one order for everybody: nobody waits in a circle
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _number(name)})
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
        """Forget what is old, now and then; rows that somebody is at are left for the next time."""
        if time.monotonic() - self._swept_at > _SWEEP_EVERY_S:
            self._swept_at = time.monotonic()
            old = select(counts.c.key).where(counts.c.at < now - self._forgotten_after_s)
            connection.execute(delete(counts).where(counts.c.key.in_(old.with_for_update(skip_locked=True))))


def _number(name: str) -> int:
    """The digest as the signed 64 bits that name an advisory lock."""
    return int.from_bytes(bytes.fromhex(name[:16]), signed=True)
