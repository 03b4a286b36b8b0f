"""Is the server alive, and what has it done?"""

from __future__ import annotations

import time

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from starlette.types import ASGIApp, Message, Receive, Scope, Send

router = APIRouter(tags=["health"])


class Meters:
    """Counters of one server; they hold no names, addresses or tokens."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter("coatclass_requests", "Requests answered", ["status"], registry=self.registry)
        self.seconds = Histogram("coatclass_request_seconds", "Time to the first byte", registry=self.registry)
        self.inside = Gauge("coatclass_queue_inside", "Dogs being looked at or waiting", registry=self.registry)


class Metered:
    """Counts answers by status and times them to the first byte."""

    def __init__(self, app: ASGIApp, meters: Meters) -> None:
        self.app = app
        self.meters = meters

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = time.perf_counter()

        async def metered(message: Message) -> None:
            if message["type"] == "http.response.start":
                self.meters.seconds.observe(time.perf_counter() - started)
                self.meters.requests.labels(str(message["status"])).inc()
            await send(message)

        await self.app(scope, receive, metered)


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
    meters.inside.set(request.app.state.queue.inside)
    return Response(generate_latest(meters.registry), media_type=CONTENT_TYPE_LATEST)
