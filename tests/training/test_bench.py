"""The benchmark compares in pairs; its figures are ratios, so a slow machine does not fail it."""

from __future__ import annotations

import time

import pytest

from training import bench


def test_the_ratio_of_a_pair_is_that_of_its_times():
    first, second, ratio = bench.paired(lambda: time.sleep(0.01), lambda: time.sleep(0.03), rounds=3)
    assert ratio == pytest.approx(1 / 3, rel=0.3)
    assert first < second


def test_an_aim_is_reached_only_at_or_under_it():
    assert bench.Ratio("a", "b", 1, 2, 0.5, aim=0.5).reached
    assert not bench.Ratio("a", "b", 1, 2, 0.51, aim=0.5).reached


def test_peak_memory_is_that_of_the_process_alone():
    held = bytearray(300_000_000)  # what the parent holds must not count
    assert bench._peak_mb("pass") < 100
    assert len(held) == 300_000_000
