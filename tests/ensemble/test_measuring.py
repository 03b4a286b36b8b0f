"""The small measuring error, against the normal distribution's own table."""

from __future__ import annotations

import pytest

from coatclass.ensemble._fusion import measured_band


def test_one_standard_deviation_above_a_limit_leaves_16_percent_below_it():
    # Standard normal: Phi(-1) = 0.1587 (any table of the normal distribution).
    band = measured_band(75 + 3, error_mm=3, error_share=0)
    assert band[2] == pytest.approx(0.1587, abs=1e-4)
    assert band[3] == pytest.approx(0.8413, abs=1e-4)


def test_the_error_grows_with_the_length():
    assert measured_band(78, 2, 0.0)[2] < measured_band(78, 2, 0.04)[2]


@pytest.mark.parametrize("length", [0, 0.1, 18.9, 19, 25, 75, 1000])
def test_any_length_gives_a_distribution(length):
    band = measured_band(length, 2, 0.04)
    assert band.sum() == pytest.approx(1)
    assert (band >= 0).all()
