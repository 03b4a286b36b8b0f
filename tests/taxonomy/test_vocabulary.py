"""The words hold together: every word has a definition, the bands tile the lengths, limits are the trade's."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    BodyZone,
    Curl,
    LengthBand,
    Lie,
    MatState,
    Patience,
    Texture,
    Undercoat,
    band_limits_mm,
    band_of_mm,
    definition,
)
from coatclass.words import catalogue


@pytest.mark.parametrize(
    "word", [*CATEGORIES, *BANDS, *BodyZone, *Curl, *Lie, *MatState, *Patience, *Texture, *Undercoat]
)
def test_every_word_is_explained_to_owners(word):
    assert len(definition(word)) >= 4


def test_the_limits_are_those_at_which_the_trade_changes_tools():
    # common practice, no source: 3/4 in, 1 in, 3 in
    assert [band_limits_mm(band)[0] for band in BANDS] == [0, 19, 25, 75]
    assert band_limits_mm(LengthBand.OVER_75MM)[1] == math.inf


@given(st.floats(min_value=0, max_value=1000))
def test_every_length_lies_in_exactly_one_band(length):
    holding = [band for band in BANDS if band_limits_mm(band)[0] <= length < band_limits_mm(band)[1]]
    assert holding == [band_of_mm(length)]


@pytest.mark.parametrize("length", [-1.0, math.nan])
def test_impossible_lengths_are_refused(length):
    with pytest.raises(ValueError, match="0 mm or more"):
        band_of_mm(length)


@pytest.mark.parametrize(
    ("length", "text"), [(19, "19 mm (3/4 in)"), (25.4, "25 mm (1 in)"), (75, "75 mm (3 in)"), (38, "38 mm (1 1/2 in)")]
)
def test_millimetres_come_with_inches(length, text):
    assert catalogue().mm(length) == text


def test_mat_states_grow_worse_in_order():
    assert [state.severity for state in MatState] == [0, 1, 2, 3, 4]
