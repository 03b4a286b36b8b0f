"""Work that would hold up the event loop: a few threads, a short queue, and a clear word when it is full."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import ParamSpec, TypeVar

import anyio
import anyio.to_thread

P = ParamSpec("P")
T = TypeVar("T")


class QueueFullError(Exception):
    """Too many people are waiting; ``retry_after_s`` says when to come back."""

    def __init__(self, retry_after_s: int) -> None:
        super().__init__("queue full")
        self.retry_after_s = retry_after_s


class WorkQueue:
    """Runs functions in at most ``workers`` threads; at most ``waiting`` calls wait for one."""

    def __init__(self, *, workers: int, waiting: int, retry_after_s: int) -> None:
        self._limiter = anyio.CapacityLimiter(workers)
        self._waiting = waiting
        self._retry_after_s = retry_after_s
        self.inside = 0

    async def run(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run the function and return its result.

        Raises:
            QueueFullError: at once, if the queue is full.
        """
        if self.inside >= self._waiting + int(self._limiter.total_tokens):
            raise QueueFullError(self._retry_after_s)
        self.inside += 1
        try:
            return await anyio.to_thread.run_sync(partial(function, *args, **kwargs), limiter=self._limiter)
        finally:
            self.inside -= 1
