"""Connections that ask for nothing or never finish asking are closed; nobody holds more than a browser needs."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Collection, Mapping
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

_LOOK_EVERY_S = 1.0


def patient_for(limits: Mapping[str, float], proxies: Collection[str] = ()) -> type[H11Protocol]:
    """The HTTP of the server, with limits on how long a request may take to arrive.

    Args:
        limits: ``header_s`` for the head of a request, ``idle_s`` without a byte of its body, ``body_s`` for all of
            it; ``per_address`` and ``total`` open connections.
        proxies: addresses that stand for many visitors, so that ``per_address`` is not theirs.
    """
    open_by_address: Counter[str] = Counter()

    class Patient(H11Protocol):
        _timer: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._address = self.client[0] if self.client else ""
            open_by_address[self._address] += 1
            self._waiting_since = self._heard_at = self.loop.time()
            self._arriving = False
            many = self._address not in proxies and open_by_address[self._address] > limits["per_address"]
            if many or open_by_address.total() > limits["total"]:
                transport.abort()
            else:
                self._timer = self.loop.call_later(_LOOK_EVERY_S, self._look)

        def connection_lost(self, exc: Exception | None) -> None:
            open_by_address[self._address] -= 1
            if not open_by_address[self._address]:
                del open_by_address[self._address]
            if self._timer is not None:
                self._timer.cancel()
            super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            self._heard_at = self.loop.time()
            super().data_received(data)

        def _look(self) -> None:
            """Close if the request that is due has taken too long."""
            if self._is_late():
                self.transport.abort()
            else:
                self._timer = self.loop.call_later(_LOOK_EVERY_S, self._look)

        def _is_late(self) -> bool:
            now, state = self.loop.time(), self.conn.their_state
            answering = self.cycle is not None and not self.cycle.response_complete
            if state is h11.SEND_BODY:
                if not self._arriving:
                    self._arriving, self._waiting_since = True, now
                # While the app is slow to take what came, it is not the sender who is late.
                silent = now - self._heard_at > limits["idle_s"] and not self.flow.read_paused
                return silent or now - self._waiting_since > limits["body_s"]
            if state is not h11.IDLE or answering or self._arriving:
                self._arriving, self._waiting_since = False, now  # how long the answer takes is the app's business
                return False
            return now - self._waiting_since > limits["header_s"]

    return Patient
