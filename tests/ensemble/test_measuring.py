"""The small measuring error, against the normal distribution's own table."""

from __future__ import annotations

import math

import pytest

from coatclass.ensemble.fusion import measured_band
from coatclass.taxonomy import gross_error, measuring_error


def test_one_standard_deviation_above_a_limit_leaves_16_percent_below_it():
    # Standard normal: Phi(-1) = 0.1587 (any table of the normal distribution).
    band = measured_band(75 * math.exp(0.1), sd_log=0.1, gross_error=0)
    assert band[2] == pytest.approx(0.1587, abs=1e-4)
    assert band[3] == pytest.approx(0.8413, abs=1e-4)


def test_a_gross_error_makes_every_band_as_likely_as_another():
    assert measured_band(50, 0.1, gross_error=1.0) == pytest.approx([0.25] * 4)
    assert min(measured_band(50, 0.1, gross_error=0.04)) == pytest.approx(0.01, abs=1e-6)


@pytest.mark.parametrize("length", [0, 0.1, 18.9, 19, 25, 75, 1000])
def test_any_length_gives_a_distribution(length):
    band = measured_band(length, 0.12, 0.02)
    assert band.sum() == pytest.approx(1)
    assert (band >= 0).all()


def test_a_card_is_believed_a_little_less_than_a_ruler_and_more_than_a_finger():
    assert measuring_error("ruler") < measuring_error("card") < measuring_error("finger")
    by_ruler, by_card = (measured_band(80, measuring_error(by), gross_error()) for by in ("ruler", "card"))
    assert by_ruler[3] > by_card[3] > 0.5
