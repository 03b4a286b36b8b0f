"""The queue: cheap work passes dear work, nobody's work is done for nobody, and nothing is done twice at a time."""

from __future__ import annotations

import asyncio
import threading

import pytest

from app.work import GoneError, QueueFullError, Remembered, WorkQueue


def queue(**changes) -> WorkQueue:
    return WorkQueue(**{"workers": 1, "dear": 1, "waiting": 10, "patience_s": 60, "retry_after_s": 5, **changes})


class Asker:
    """Somebody who leaves when told to."""

    def __init__(self) -> None:
        self.left = False

    async def is_disconnected(self) -> bool:
        return self.left


async def blocked(work: WorkQueue) -> threading.Event:
    """Keep the worker busy until the event is set."""
    go, begun = threading.Event(), threading.Event()

    def wait() -> None:
        begun.set()
        go.wait(60)

    task = asyncio.ensure_future(work.run(wait))
    await asyncio.to_thread(begun.wait, 60)
    work.held = task  # type: ignore[attr-defined]  # so that it is not collected
    return go


def test_cheap_work_passes_dear_work_and_old_dear_work_is_not_forgotten():
    async def order(patience_s: float) -> list[str]:
        work, done = queue(patience_s=patience_s), []
        go = await blocked(work)
        jobs = [asyncio.ensure_future(work.run(done.append, "sheet", dear=True))]
        await asyncio.sleep(0.05)
        jobs += [asyncio.ensure_future(work.run(done.append, f"state {number}")) for number in range(3)]
        await asyncio.sleep(0.05)
        go.set()
        await asyncio.gather(*jobs)
        return done

    assert asyncio.run(order(60)) == ["state 0", "state 1", "state 2", "sheet"]
    assert asyncio.run(order(0))[0] == "sheet"


def test_dear_work_never_takes_every_thread():
    async def run() -> None:
        work = queue(workers=2)
        go = threading.Event()
        slow = [asyncio.ensure_future(work.run(go.wait, 60, dear=True)) for _ in range(3)]
        await asyncio.sleep(0.05)
        assert await asyncio.wait_for(work.run(lambda: "state"), 30) == "state"
        go.set()
        await asyncio.gather(*slow)

    asyncio.run(run())


def test_what_nobody_waits_for_is_not_begun():
    async def run() -> None:
        work, done = queue(), []
        go = await blocked(work)
        gone, stays = Asker(), Asker()
        leaves = asyncio.ensure_future(work.run(done.append, "gone", asker=gone))
        shared = [
            asyncio.ensure_future(work.run(done.append, "shared", key="k", asker=asker)) for asker in (gone, stays)
        ]
        cancelled = asyncio.ensure_future(work.run(done.append, "cancelled"))
        await asyncio.sleep(0.05)
        gone.left = True
        cancelled.cancel()
        with pytest.raises(GoneError):
            await leaves
        assert work.inside == 2  # the one that is worked on, and the one that somebody still waits for
        go.set()
        results = await asyncio.gather(*shared, return_exceptions=True)
        assert [type(one) for one in results] == [GoneError, type(None)]
        assert done == ["shared"]

    asyncio.run(run())


def test_the_same_asked_for_twice_at_a_time_is_done_once_and_errors_reach_everybody():
    async def run() -> None:
        work, count = queue(), []
        go = await blocked(work)

        def fails() -> None:
            count.append(1)
            raise ValueError("no")

        asked = [asyncio.ensure_future(work.run(fails, key="k")) for _ in range(5)]
        await asyncio.sleep(0.05)
        go.set()
        results = await asyncio.gather(*asked, return_exceptions=True)
        assert [type(one) for one in results] == [ValueError] * 5
        assert len(count) == 1
        assert await work.run(lambda: 7, key="k") == 7  # later it is done anew

    asyncio.run(run())


def test_what_has_begun_is_not_shared_with_those_who_ask_later():
    """They may ask because something has changed meanwhile."""

    async def run() -> None:
        work, kept, go, begun = queue(workers=2), ["old"], threading.Event(), threading.Event()

        def read() -> str:
            found = kept[0]
            begun.set()
            go.wait(60)
            return found

        first = asyncio.ensure_future(work.run(read, key="state"))
        await asyncio.to_thread(begun.wait, 60)
        kept[0] = "new"
        second = asyncio.ensure_future(work.run(read, key="state"))
        await asyncio.sleep(0.05)
        go.set()
        assert await asyncio.gather(first, second) == ["old", "new"]

    asyncio.run(run())


def test_a_full_queue_says_when_to_come_back():
    async def run() -> None:
        work = queue(waiting=2)
        go = await blocked(work)
        waiting = [asyncio.ensure_future(work.run(lambda: None)) for _ in range(2)]
        await asyncio.sleep(0.05)
        with pytest.raises(QueueFullError) as caught:
            await work.run(lambda: None)
        assert caught.value.retry_after_s == 5
        go.set()
        await asyncio.gather(*waiting)

    asyncio.run(run())


def test_one_queue_serves_several_loops():
    work = queue()
    assert [asyncio.run(work.run(abs, number)) for number in (0, -1, -2)] == [0, 1, 2]


def test_what_is_remembered_is_made_once_and_the_oldest_goes():
    made, kept = [], Remembered(most=2)
    for key in ("a", "b", "a", "c", "a", "b"):
        assert kept.of(key, lambda key=key: made.append(key) or key) == key
    assert made == ["a", "b", "c", "b"]
