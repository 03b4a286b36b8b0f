"""Is the server alive, what has it done, and what of it is slow?"""

from __future__ import annotations

import os
import time
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector
from pydantic import BaseModel
from sqlalchemy import Engine, event
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.guard import Middleware
from app.workers import METERS

router = APIRouter(tags=["health"])
_SHOWN = 10


class Meters:
    """Counters of one server; they hold no names, addresses or tokens, and of addresses of pages only the pattern.

    Processes that share a port count into one folder, so that each of them tells of all.
    """

    def __init__(self) -> None:
        own = self._own = CollectorRegistry()
        self.requests = Counter("coatclass_requests", "Requests answered", ["status"], registry=own)
        self.seconds = Histogram("coatclass_request_seconds", "Time to the first byte", ["route"], registry=own)
        self.waited = Histogram("coatclass_queue_wait_seconds", "Work that waited for a thread", ["kind"], registry=own)
        self.took = Histogram("coatclass_work_seconds", "Work done in a thread", ["kind"], registry=own)
        self.database = Histogram(
            "coatclass_database_seconds", "Statements, and waits for the lock of writers", ["what"], registry=own
        )
        self.inside = Gauge(
            "coatclass_queue_inside",
            "Dogs being looked at or waiting",
            registry=own,
            multiprocess_mode="liveall",  # a line a process
        )
        self.inside.set(0)

    @property
    def registry(self) -> CollectorRegistry:
        """What was counted: here, or by all processes that share the port."""
        if METERS not in os.environ:
            return self._own
        together = CollectorRegistry()
        MultiProcessCollector(together)  # type: ignore[no-untyped-call]
        return together

    def watch(self, engine: Engine) -> None:
        """Time what is asked of a database from now on."""

        @event.listens_for(engine, "before_cursor_execute")
        def begin(connection: Any, *_: Any) -> None:
            connection.info["coatclass_since"] = time.perf_counter()

        @event.listens_for(engine, "after_cursor_execute")
        def end(connection: Any, cursor: Any, statement: str, *_: Any) -> None:
            waits = statement.startswith(("SELECT pg_advisory_xact_lock", "BEGIN IMMEDIATE"))
            took = time.perf_counter() - connection.info.pop("coatclass_since", time.perf_counter())
            self.database.labels("lock" if waits else "statement").observe(took)

    def work_done(self, dear: bool, waited_s: float, took_s: float) -> None:
        """A job of the queue has ended."""
        kind = "dear" if dear else "cheap"
        self.waited.labels(kind).observe(waited_s)
        self.took.labels(kind).observe(took_s)


class Metered(Middleware):
    """Counts answers by status and times them to the first byte, by the pattern of their address."""

    def __init__(self, app: ASGIApp, meters: Meters) -> None:
        super().__init__(app)
        self.meters = meters

    async def http(self, scope: Scope, receive: Receive, send: Send) -> None:
        started = time.perf_counter()
        self.meters.inside.set(scope["app"].state.queue.inside)

        async def metered(message: Message) -> None:
            if message["type"] == "http.response.start":
                self.meters.seconds.labels(_pattern(scope)).observe(time.perf_counter() - started)
                self.meters.requests.labels(str(message["status"])).inc()
            await send(message)

        await self.app(scope, receive, metered)


def _pattern(scope: Scope) -> str:
    """``GET /api/v1/dogs/by-link/{token}``: never what stands in the place of a name; strangers can't make new ones."""
    route = scope.get("route")
    path, methods = getattr(route, "path", None), getattr(route, "methods", None)
    if path is None or scope["method"] not in (methods or ()):
        return "files" if scope["path"].startswith("/static/") else "other"
    return f"{scope['method']} {path}"


@router.get("/health")
def health(request: Request) -> dict[str, str]:
    """``ok`` when the model files are whole and the database answers."""
    from coatclass.vision import load_model

    model = load_model().manifest.model_version
    with request.app.state.records.read() as reader:
        reader.connection.exec_driver_sql("SELECT 1")
    return {"status": "ok", "model_version": model}


@router.get("/metrics")
def metrics(request: Request) -> Response:
    """Counters in the Prometheus text format."""
    meters: Meters = request.app.state.meters
    return Response(generate_latest(meters.registry), media_type=CONTENT_TYPE_LATEST)


class Timed(BaseModel):
    """How long one kind of thing took since the start.

    Attributes:
        what: the pattern of an address, or a kind of work.
        count: how often.
        total_s, mean_s: all of it together, and one of it.
        p95_below_s: 95 of 100 took at most so long; None if longer than the longest that is told apart.
    """

    what: str
    count: int
    total_s: float
    mean_s: float
    p95_below_s: float | None


class Slow(BaseModel):
    """What takes long here; the slowest stand first."""

    requests: list[Timed]
    waiting_for_a_thread: list[Timed]
    work: list[Timed]
    database: list[Timed]


@router.get("/health/slow")
def slow(request: Request) -> Slow:
    """What is slow, since the server was started: requests, waits for a thread, work, database."""
    found: dict[str, list[Timed]] = {}
    for family in request.app.state.meters.registry.collect():
        if family.type == "histogram":
            found[family.name] = _timed(family.samples)
    return Slow(
        requests=found.get("coatclass_request_seconds", [])[:_SHOWN],
        waiting_for_a_thread=found.get("coatclass_queue_wait_seconds", []),
        work=found.get("coatclass_work_seconds", []),
        database=found.get("coatclass_database_seconds", []),
    )


def _timed(samples: Iterable[Any]) -> list[Timed]:
    """The samples of a histogram with one label; the largest 95th percentile first, then the largest mean."""
    buckets: dict[str, dict[float, float]] = defaultdict(dict)
    totals: dict[str, float] = {}
    for sample in samples:
        labels = dict(sample.labels)
        bound = labels.pop("le", None)
        what = next(iter(labels.values()), "")
        if bound is not None:
            buckets[what][float(bound)] = sample.value
        elif sample.name.endswith("_sum"):
            totals[what] = sample.value
    rows = []
    for what, counted in buckets.items():
        count = max(counted.values())
        if count:
            within = min(bound for bound, number in counted.items() if number >= 0.95 * count)
            total = totals.get(what, 0.0)
            rows.append(
                Timed(
                    what=what,
                    count=int(count),
                    total_s=round(total, 3),
                    mean_s=round(total / count, 4),
                    p95_below_s=None if within == float("inf") else within,
                )
            )
    return sorted(rows, key=lambda row: (-(row.p95_below_s or float("inf")), -row.mean_s))
