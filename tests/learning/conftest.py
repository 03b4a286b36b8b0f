"""Simulated findings: coats drawn from the released prior, answers from the questionnaire's tables. Never real."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from coatclass import answers, ensemble
from coatclass.answers import Answers
from coatclass.learning import Example
from coatclass.taxonomy import BANDS, CATEGORIES


def simulated(number: int, *, seed: int = 1, change: Callable[[Answers], Answers] = lambda said: said) -> list[Example]:
    """Findings of ``number`` simulated dogs; ``change`` makes owners answer otherwise than the tables say."""
    random = np.random.default_rng(seed)
    prior = np.exp(ensemble.load().prior).ravel()
    asked = ("feel", "curl", "undercoat_seen", "lie", "shedding", "keeps_growing")
    made = []
    for index, coat in enumerate(random.choice(len(prior), size=number, p=prior / prior.sum())):
        category, band = CATEGORIES[coat // len(BANDS)], BANDS[coat % len(BANDS)]
        said = change(answers.simulate(category, band, random, ask=asked))
        made.append(Example(f"dog{index}", category, band, said))
    return made


@pytest.fixture
def simulate() -> Callable[..., list[Example]]:
    return simulated
