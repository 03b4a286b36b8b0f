"""Work that would hold up the event loop: a few threads and a short queue in which quick jobs overtake long ones."""

from __future__ import annotations

import asyncio
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from contextvars import copy_context
from functools import partial
from typing import Any, Protocol, TypeVar

T = TypeVar("T")
_ASK_EVERY_S = 0.3


class QueueFullError(Exception):
    """Too many people are waiting; ``retry_after_s`` says when to come back."""

    def __init__(self, retry_after_s: int) -> None:
        super().__init__("queue full")
        self.retry_after_s = retry_after_s


class GoneError(Exception):
    """Whoever asked has left; there is nobody to answer."""


class Asker(Protocol):
    """A request, as far as work needs one."""

    async def is_disconnected(self) -> bool:
        """Whether the client has disconnected."""


class _Job:
    def __init__(self, function: Callable[[], Any], *, dear: bool, key: Hashable | None) -> None:
        self.function, self.dear, self.key = function, dear, key
        self.future: Future[Any] = Future()
        self.since = time.monotonic()
        self.askers = 0


class WorkQueue:
    """Runs functions in at most ``workers`` threads, in at most ``dear`` of them what takes long.

    At most ``waiting`` jobs wait; what nobody waits for any more is not begun; what is asked for again before it has
    begun is done once (later it might have missed a change). It may be used from any event loop. ``done`` is told of
    each job whether it was dear, how long it waited and how long it took, s.
    """

    def __init__(
        self,
        *,
        workers: int,
        dear: int,
        waiting: int,
        patience_s: float,
        retry_after_s: int,
        done: Callable[[bool, float, float], None] = lambda dear, waited_s, took_s: None,
    ) -> None:
        self._done = done
        self._workers, self._most_dear, self._most_waiting = workers, dear, waiting
        self._patience_s, self._retry_after_s = patience_s, retry_after_s
        self._cheap: deque[_Job] = deque()
        self._dear: deque[_Job] = deque()
        self._changed = threading.Condition()
        self._going: dict[Hashable, _Job] = {}
        self._threads = 0
        self._busy = self._busy_dear = 0
        self._closed = False

    @property
    def inside(self) -> int:
        """Jobs that are worked on or wait."""
        return self._busy + len(self._cheap) + len(self._dear)

    async def run(
        self,
        function: Callable[..., T],
        *args: Any,
        dear: bool = False,
        key: Hashable | None = None,
        asker: Asker | None = None,
        **kwargs: Any,
    ) -> T:
        """Run ``function(*args, **kwargs)`` in a thread, for the reader who asks, and return its result.

        Args:
            dear: it takes long, as pictures and sheets do.
            key: calls with the same key want the same result.
            asker: who waits for it; the work is dropped if they leave before it has begun.

        Raises:
            QueueFullError: at once, if the queue is full.
            GoneError: if the asker has left.
        """
        job = self._join(partial(copy_context().run, function, *args, **kwargs), dear=dear, key=key)
        answered: asyncio.Future[T] = asyncio.wrap_future(job.future)
        try:
            while not answered.done():
                await asyncio.wait({answered}, timeout=_ASK_EVERY_S if asker else None)
                if asker is not None and not answered.done() and await asker.is_disconnected():
                    raise GoneError
            return answered.result()
        finally:
            self._leave(job)

    def _join(self, function: Callable[[], Any], *, dear: bool, key: Hashable | None) -> _Job:
        with self._changed:
            job = None if key is None else self._going.get(key)
            if job is None:
                if len(self._cheap) + len(self._dear) >= self._most_waiting:
                    raise QueueFullError(self._retry_after_s)
                job = _Job(function, dear=dear, key=key)
                (self._dear if dear else self._cheap).append(job)
                if key is not None:
                    self._going[key] = job
                if self._threads < self._workers:
                    self._threads += 1
                    threading.Thread(target=self._work, name="coatclass-work", daemon=True).start()
                self._changed.notify()
            job.askers += 1
            return job

    def _leave(self, job: _Job) -> None:
        with self._changed:
            job.askers -= 1
            waiting = self._dear if job.dear else self._cheap
            if not job.askers and job in waiting:
                waiting.remove(job)
                self._forget(job)

    def _forget(self, job: _Job) -> None:
        if job.key is not None and self._going.get(job.key) is job:
            del self._going[job.key]

    def _next(self) -> _Job | None:
        may_dear = bool(self._dear) and self._busy_dear < self._most_dear
        if may_dear and (not self._cheap or time.monotonic() - self._dear[0].since > self._patience_s):
            return self._dear.popleft()
        return self._cheap.popleft() if self._cheap else None

    def _work(self) -> None:
        while True:
            with self._changed:
                while (job := self._next()) is None:
                    if self._closed:
                        self._threads -= 1
                        return
                    self._changed.wait()
                self._busy += 1
                self._busy_dear += job.dear
                self._forget(job)
            result, error = None, None
            begun = time.monotonic()
            try:
                result = job.function()
            except BaseException as raised:  # whoever waits hears of it
                error = raised
            with self._changed:
                self._busy -= 1
                self._busy_dear -= job.dear
                self._changed.notify_all()
            self._done(job.dear, begun - job.since, time.monotonic() - begun)
            _answer(job.future, result, error)

    def close(self) -> None:
        """Let the threads end once they have nothing to do."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()


def _answer(future: Future[Any], result: Any, error: BaseException | None) -> None:
    """Tell whoever waits; nobody may be left, or no loop to tell them in."""
    if future.cancelled():
        return
    try:
        future.set_exception(error) if error is not None else future.set_result(result)
    except RuntimeError:
        return


class Remembered:
    """Results that are asked for again, by a key that changes whenever they would; the oldest unused go first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable) -> Any:
        """The result under a key, None if it is not there."""
        with self._lock:
            return self._kept.get(key)

    def of(self, key: Hashable, make: Callable[[], T]) -> T:
        """The result under a key, made if it is not there."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                kept: T = self._kept[key]
                return kept
        made = make()
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made
