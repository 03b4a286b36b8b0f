"""The benchmark compares in pairs; its figures are ratios, so a slow machine does not fail it."""

from __future__ import annotations

import json

import pytest

from training import benchmark


def test_the_ratio_is_the_median_of_the_pairs(monkeypatch):
    clock = [0.0]
    monkeypatch.setattr(benchmark.time, "perf_counter", lambda: clock[0])
    takes = iter([9, 9, 1, 2, 2, 8, 30, 40])  # a warm-up of each, then three pairs: 1/2, 1/4, 3/4

    def work() -> None:
        clock[0] += next(takes)

    assert benchmark.paired(work, work, rounds=3) == pytest.approx((2000, 8000, 0.5))
    takes = iter([9, 9, 1, 2, 2, 8, 30, 40])
    assert benchmark.paired(work, work, rounds=3, totals=True) == pytest.approx((11_000, 50_000 / 3, 33 / 50))


def test_an_aim_is_reached_only_at_or_under_it():
    assert benchmark.Ratio("a", "b", 1, 2, 0.5, aim=0.5).reached
    assert not benchmark.Ratio("a", "b", 1, 2, 0.51, aim=0.5).reached


def test_the_aims_that_were_missed_are_named_with_what_was_measured():
    figures = [benchmark.Ratio("one", "two", 1, 2, 0.5, aim=0.5), benchmark.Ratio("this", "that", 1, 2, 0.51, aim=0.5)]
    assert benchmark.missed(figures, 0.0) == ["this 0.51 of that (aim 0.5)"]
    assert len(benchmark.missed(figures[:1], 1e9)) == 1 and benchmark.missed(figures[:1], 0.0) == []


def test_peak_memory_is_that_of_the_process_alone():
    held = bytearray(300_000_000)  # what the parent holds must not count
    assert benchmark._peak_mb("pass") < 100
    assert len(held) == 300_000_000


def test_readme_quotes_the_measured_figures():
    measured = json.loads(benchmark.FIGURES.read_text(encoding="utf-8"))
    readme = (benchmark.ROOT / "README.md").read_text(encoding="utf-8")
    assert readme.partition(benchmark.BEGIN)[2].partition(benchmark.END)[0].strip() == benchmark.told(measured)
