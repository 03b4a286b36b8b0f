"""Floods: half requests, slow bodies, endless bodies, guesses of passwords, strange hosts, forged addresses."""

from __future__ import annotations

import socket
import time
from collections import Counter
from contextlib import suppress

import httpx

from app.guard import PAGES
from tests.attacks.serving import LINKS, Serving


def attack(server: Serving, connections: int = 200) -> Counter[str]:
    """All of them against a server with its limits as released; ``FAULT`` counts what must not be."""
    outcomes: Counter[str] = Counter()
    for name, one in (
        ("half requests", half_requests(server, connections)),
        ("endless bodies", endless_bodies(server)),
        ("strange hosts", strange_hosts(server)),
        ("guesses", guesses(server)),
        ("framework calls", framework_calls(server)),
    ):
        outcomes.update({f"{name}: {outcome}": number for outcome, number in one.items()})
    return outcomes


def _connect(server: Serving, head: bytes) -> socket.socket | None:
    try:
        connection = socket.create_connection(("127.0.0.1", server.port), timeout=10)
        connection.sendall(head)
        return connection
    except OSError:
        return None


def half_requests(server: Serving, count: int, within_s: float = 300) -> Counter[str]:
    """Connections that begin to ask and never finish; meanwhile somebody else is served, and later none is open."""
    heads = (
        b"",
        b"GET /health HTTP/1.1\r\nHost: loc",
        b"POST /api/v1/dogs/by-link HTTP/1.1\r\nHost: localhost\r\nContent-Length: 50\r\n\r\n{",
    )
    held = [_connect(server, heads[number % 3]) for number in range(count)]
    outcomes: Counter[str] = Counter()
    time.sleep(1)
    with httpx.Client(timeout=10) as web:  # connections of the flood's own address beyond its share are refused
        try:
            web.get(f"{server.url}/health")
            outcomes["others served"] += 1
        except httpx.TransportError:
            outcomes["one more from the flood's address refused"] += 1
    deadline, waiting = time.monotonic() + within_s, [one for one in held if one is not None]
    while waiting and time.monotonic() < deadline:
        time.sleep(1)
        waiting = [one for one in waiting if _is_open(one)]
    for one in held:
        if one is not None:
            one.close()
    outcomes["closed"] += count - len(waiting)
    if waiting:
        outcomes["FAULT: still open"] += len(waiting)
    return outcomes


def _is_open(connection: socket.socket) -> bool:
    connection.settimeout(0.0)
    try:
        return connection.recv(4096) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


def endless_bodies(server: Serving) -> Counter[str]:
    """Bodies over the limit in pieces, without a length: 413 and cut off, long before they would end."""
    outcomes: Counter[str] = Counter()
    for kind, path, most in (
        ("application/json", LINKS, 50_000_000),
        ("multipart/form-data; boundary=x", "/api/v1/assess", 200_000_000),
    ):
        head = f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: {kind}\r\nTransfer-Encoding: chunked\r\n\r\n"
        connection = _connect(server, head.encode())
        assert connection is not None
        sent, said = 0, b""
        piece = b"10000\r\n" + b"x" * 65_536 + b"\r\n"
        connection.settimeout(30)
        with suppress(OSError):
            if "multipart" in kind:
                start = b'--x\r\nContent-Disposition: form-data; name="photos"; filename="a.jpg"\r\n\r\n'
                connection.sendall(b"%x\r\n%s\r\n" % (len(start), start))
            while sent < most:
                connection.sendall(piece)
                sent += 65_536
        with suppress(OSError):
            said = connection.recv(200)
        connection.close()
        cut_off = sent < most
        answered = said.startswith(b"HTTP/1.1 413") or (cut_off and not said)
        outcomes["cut off with 413" if answered and cut_off else f"FAULT: {sent} bytes taken, {said[:20]!r}"] += 1
    return outcomes


def strange_hosts(server: Serving) -> Counter[str]:
    """Names that are not the server's, and addresses that a stranger claims to have."""
    outcomes: Counter[str] = Counter()
    with server.client() as web:
        for host in ("evil.test", "localhost.evil.test", "127.0.0.1@evil.test", "evil.test:80"):
            answer = web.get("/owner", headers={"host": host})
            repeated = "evil" in answer.text or "evil" in answer.headers.get("location", "")
            outcomes["FAULT: repeated" if repeated or answer.status_code != 400 else "refused"] += 1
    return outcomes


def guesses(server: Serving, count: int = 40) -> Counter[str]:
    """Passwords guessed from one address that pretends to be many; afterwards the groomer still comes in."""
    outcomes: Counter[str] = Counter()
    server.make_known()
    with server.client() as web:
        codes: Counter[int] = Counter()
        for number in range(count):
            forged = {"x-forwarded-for": f"192.0.2.{number}", "forwarded": f"for=192.0.2.{number}"}
            form = {"name": "Ada", "password": f"guess {number}"}
            codes[web.post("/api/v1/sign-in", data=form, headers=forged).status_code] += 1
    outcomes["slowed down"] += codes[429]
    if codes[429] < count // 2 or codes[200]:
        outcomes[f"FAULT: {dict(codes)}"] += 1
    return outcomes


def framework_calls(server: Serving) -> Counter[str]:
    """Calls of the page framework's own routes by nobody, with wrong numbers and wrong shapes."""
    outcomes: Counter[str] = Counter()
    routes = (
        "run/predict", "api/predict", "run/show", "api/show", "queue/join", "call/show", "call/v2/show", "cancel",
        "reset", "process_recording", "upload", "stream/x", "vibe-edit", "vibe-code", "component_server", "deep_link",
    )  # fmt: skip
    wrong = (-1, 1, 7, 10**20, None, "x")
    bodies = [{"data": [], "fn_index": n, "session_hash": "a", "event_data": {}} for n in wrong]
    bodies += [{"data": data, "fn_index": 0} for data in (None, [1], {}, "x")]
    bodies += [{}, {"fn_index": 0, "event_data": [1]}]
    with server.client() as web:
        for page in ("/owner", "/groomer", *PAGES):
            for route in routes:
                for body in bodies:
                    answer = web.post(f"{page}/gradio_api/{route}", json=body)
                    fault = answer.status_code >= 500 or answer.status_code < 400
                    outcomes[f"FAULT: {answer.status_code} at {route}" if fault else "refused"] += 1
    return outcomes
