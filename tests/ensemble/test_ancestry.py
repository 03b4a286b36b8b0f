"""Ancestors are a prior: alone they say what they say; beside a photo they replace the photos' own shares."""

from __future__ import annotations

import numpy as np
import pytest

from coatclass import ancestry, breeds
from coatclass.answers import Answers
from coatclass.contract import AnswerEvidence, PhotoEvidence, Verdict
from coatclass.ensemble import HandsOn, combine, load
from coatclass.estimating import decide, estimate
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory

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


def category(answers: Answers) -> dict[str, float]:
    return dict(zip(CATEGORIES, estimate([], answers).coat.category, strict=True))


def test_a_breed_by_papers_counts_more_than_a_guess():
    papers = category(Answers(breed="Samoyed", breed_known_by="papers"))["arctic"]
    guess = category(Answers(breed="Samoyed", breed_known_by="guess"))["arctic"]
    assert papers > guess > breeds.background()[-1]


def test_a_name_that_nobody_knows_says_nothing():
    assert estimate([], Answers(breed="zzzzqqq", feel="soft")).said.answered == ("feel",)
    assert ancestry.of(Answers(breed="don't know")) is None


def test_breed_evidence_is_a_ratio_to_a_dog_of_which_nothing_is_known():
    table = np.array(ancestry.of(Answers(breed="Komondor", breed_known_by="papers")).table)
    category = breeds.category_distribution(breeds.find("Komondor"), known_by="papers")
    bands = breeds.band_distribution(breeds.find("Komondor"), known_by="papers")
    by_category = np.log(np.divide(category, breeds.background()))
    by_band = np.log(np.divide(bands, breeds.background_band()))
    assert table == pytest.approx(by_category[:, None] + by_band)
    # multiplied back onto the background the breed's own distribution returns
    joint = np.exp(table) * np.outer(breeds.background(), breeds.background_band())
    assert joint.sum(axis=1) / joint.sum() == pytest.approx(category)


def test_dna_shares_count_before_parents_and_parents_before_a_name():
    everything = Answers(breed="Puli", parents=("Labrador", "Labrador"), dna_breeds={"Samoyed": 100})
    assert estimate([], everything).said.answered == ("dna_breeds",)
    assert category(everything)["arctic"] > 0.8
    named = Answers(breed="Puli", parents=("Labrador", "Labrador"))
    assert estimate([], named).said.answered == ("parents",)
    assert category(named)["fur"] > category(named)["curly"]


def test_one_known_parent_says_less_than_two():
    one, two = category(Answers(parents=("Samoyed",))), category(Answers(parents=("Samoyed", "Samoyed")))
    assert breeds.background()[-1] < one["arctic"] < two["arctic"]


def test_a_puppy_has_not_yet_the_length_of_its_breed():
    puppy = np.array(ancestry.of(Answers(breed="Afghan Hound", age_months=4)).table)
    assert np.ptp(puppy, axis=1) == pytest.approx(0)
    assert np.ptp(np.array(ancestry.of(Answers(breed="Afghan Hound")).table), axis=1).min() > 0.5


@pytest.mark.parametrize(
    "words",
    ["poodle cross", "terrier mix", "Mischling", "Labrador-Mischling", "Pudelmix", "mongrel", "mutt", "cockapoo",
     "F1b labradoodle", "puggle", "beagle x pug", "half poodle", "mixed breed", "sheepadoodle", "Schnauzer Mix"],
)  # fmt: skip
def test_whoever_names_a_cross_in_any_words_keeps_mixed_possible_until_hands_have_touched(words):
    sure = photo((1e-6, 1 - 6e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6))
    for photos in ([], [sure]):
        decided = decide(estimate(photos, Answers(breed=words, curl="straight", lie="lies_flat")))
        assert decided.verdict is Verdict.HANDS_ON and CoatCategory.MIXED in decided.categories
        assert "cross_named" in {reason.code for reason in decided.reasons}
    touched = decide(estimate([sure], Answers(breed=words), finding=HandsOn(category=CoatCategory.FUR)))
    assert touched.verdict is Verdict.SETTLED and touched.categories == (CoatCategory.FUR,)


def test_a_pure_breed_is_no_cross_whatever_its_name_ends_in():
    named = [breed for breed in breeds.table().values() if breed.kind is not breeds.BreedKind.CROSS]
    wrong = [breed.name for breed in named if ancestry.names_cross(Answers(breed=breed.name))]
    assert not wrong


def test_a_photo_against_the_ancestors_is_left_to_hands():
    arctic = photo((1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1 - 6e-3))
    decided = decide(estimate([arctic], Answers(parents=("poodle", "poodle"), breed_known_by="papers")))
    assert decided.verdict is Verdict.HANDS_ON
    assert decided.reasons[0].code in ("genes_against_photo", "sources_disagree")


def test_a_name_that_nobody_proved_settles_only_what_the_photo_all_but_settles_without_it():
    def said(arctic: float, **known) -> tuple[Verdict, set[CoatCategory]]:
        seen = photo((0.004, 1 - arctic - 0.02, 0.004, 0.004, 0.004, 0.004, arctic))
        decided = decide(estimate([seen], Answers(breed="Samoyed", **known)))
        return decided.verdict, set(decided.categories)

    assert said(0.7) == (Verdict.NARROWED, {CoatCategory.ARCTIC, CoatCategory.FUR})
    assert said(0.7, breed_known_by="guess") == said(0.7)
    assert said(0.93) == (Verdict.SETTLED, {CoatCategory.ARCTIC})
    for proof in ("papers", "dna_test"):
        assert said(0.7, breed_known_by=proof) == (Verdict.SETTLED, {CoatCategory.ARCTIC})


def test_with_nothing_but_a_name_only_a_proven_one_settles_a_coat():
    named = [breed.name for breed in breeds.table().values() if breed.kind is breeds.BreedKind.BREED]
    for name in named[::10]:
        assert decide(estimate([], Answers(breed=name))).verdict is not Verdict.SETTLED
    assert decide(estimate([], Answers(breed="Labrador", breed_known_by="papers"))).verdict is Verdict.SETTLED


def test_the_estimate_keeps_what_is_known_without_names():
    seen, told = photo((0.1, 0.5, 0.05, 0.1, 0.1, 0.05, 0.1)), {"curl": "curly", "lie": "lies_flat"}
    assert estimate([seen], Answers(**told)).coat.unnamed is None
    assert estimate([], Answers(breed="Samoyed")).coat.unnamed is None
    for photos in ([seen], []):
        named = estimate(photos, Answers(breed="Samoyed", **told)).coat
        assert named.unnamed == pytest.approx(estimate(photos, Answers(**told)).coat.category)
        assert named.unnamed != pytest.approx(named.category)
