"""How often somebody asked or tried: counted in this process, or by all servers on one PostgreSQL."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from threading import Lock
from typing import Protocol

Key = tuple[str, ...]
Kept = dict[Key, tuple[float, float]]


class Counts(Protocol):
    """A number and the time it was last changed under each key."""

    def changing(self, keys: Sequence[Key]) -> AbstractContextManager[tuple[Kept, float]]:
        """What is kept under the keys, and the time now, s; what stands there afterwards is kept."""


class OwnCounts:
    """Counts of this process alone; the oldest unused go first.

    Args:
        most: keys that are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._all: OrderedDict[Key, tuple[float, float]] = OrderedDict()
        self._lock = Lock()

    @contextmanager
    def changing(self, keys: Sequence[Key]) -> Iterator[tuple[Kept, float]]:
        """See :class:`Counts`."""
        with self._lock:
            kept = {key: self._all[key] for key in keys if key in self._all}
            before = dict(kept)
            yield kept, time.monotonic()
            for key in before.keys() - kept.keys():
                del self._all[key]
            for key, value in kept.items():
                self._all[key] = value
                self._all.move_to_end(key)
            while len(self._all) > self._most:
                self._all.popitem(last=False)
