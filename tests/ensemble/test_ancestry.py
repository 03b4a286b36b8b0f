"""Ancestors are a prior: alone they say what they say; beside a photo they replace the photos' own shares."""

from __future__ import annotations

import numpy as np
import pytest

from coatclass import breeds
from coatclass.answers import Answers, evidence
from coatclass.contract import AnswerEvidence, PhotoEvidence
from coatclass.ensemble import combine, load
from coatclass.taxonomy import BANDS, CATEGORIES

NOTHING = ((0.0,) * len(BANDS),) * len(CATEGORIES)


def ancestors(distribution) -> AnswerEvidence:
    ratio = np.log(np.divide(distribution, breeds.background()))
    return AnswerEvidence(NOTHING, ("breed",), ancestry=tuple((float(value),) * len(BANDS) for value in ratio))


def photo(texture) -> PhotoEvidence:
    logs = tuple(np.log(texture))
    return PhotoEvidence("p", logs, logs, tuple(np.log([0.1, 0.1, 0.7, 0.1])), 1.0, 0.5, 0.1, "test")


def test_the_ensembles_prior_is_the_breed_tables_background():
    assert np.exp(load().prior).sum(axis=1) == pytest.approx(breeds.background(), abs=1e-6)


def test_ancestors_alone_say_what_they_say():
    told = (0.1, 0.1, 0.5, 0.05, 0.2, 0.02, 0.03)
    assert combine([], ancestors(told)).category == pytest.approx(told, abs=1e-6)


def test_beside_a_photo_ancestors_replace_the_photos_own_shares():
    # Saerens, Latinne and Decaestecker 2002: p'(c | x) is proportional to p(c | x) p'(c) / p(c)
    told = np.array((0.3, 0.1, 0.3, 0.05, 0.2, 0.02, 0.03))
    seen = photo((0.5, 0.1, 0.05, 0.05, 0.2, 0.05, 0.05))
    alone = np.array(combine([seen]).category)
    expected = alone * told / np.exp(load().photo_prior)
    assert combine([seen], ancestors(told)).category == pytest.approx(expected / expected.sum(), abs=1e-6)


def test_a_breed_by_papers_counts_more_than_a_guess():
    def arctic(how: str) -> float:
        return combine([], evidence(Answers(breed="Samoyed", breed_known_by=how))).category[-1]

    assert arctic("papers") > arctic("guess") > breeds.background()[-1]
