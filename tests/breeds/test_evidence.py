"""From breeds to coats: evidence, never a certainty."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coatclass import breeds
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand

IDS = sorted(breeds.table())
KNOWN_BY = st.sampled_from([None, "papers", "dna_test", "guess"])
TRIMMED = st.sampled_from([None, True, False])


def share(vector: tuple[float, ...], category: CoatCategory) -> float:
    return vector[CATEGORIES.index(category)]


@given(st.sampled_from(IDS), KNOWN_BY, TRIMMED)
def test_every_breed_gives_chances_that_sum_to_one_and_rule_nothing_out(breed_id, known_by, trimmed) -> None:
    chances = breeds.category_distribution(breed_id, known_by=known_by, trimmed=trimmed)
    bands = breeds.band_distribution(breed_id, known_by=known_by, trimmed=trimmed)
    for vector, size in ((chances, 7), (bands, 4)):
        assert len(vector) == size and math.isclose(sum(vector), 1) and min(vector) > 0


@given(st.sampled_from(IDS), st.sampled_from([*IDS, None]), KNOWN_BY)
def test_any_two_parents_give_chances_in_either_order(one, other, known_by) -> None:
    chances = breeds.category_distribution((one, other), known_by=known_by)
    assert chances == pytest.approx(breeds.category_distribution((other, one), known_by=known_by))
    assert math.isclose(sum(chances), 1) and min(chances) > 0


@given(st.dictionaries(st.sampled_from(IDS), st.floats(0.5, 40), min_size=1, max_size=5))
def test_dna_shares_give_chances_and_what_is_missing_counts_as_unknown(shares) -> None:
    chances = breeds.category_distribution(shares, known_by="dna_test")
    assert math.isclose(sum(chances), 1) and min(chances) > 0


def test_a_guess_is_weaker_evidence_than_papers_by_the_published_amount() -> None:
    """Gunter et al. 2018, PLoS ONE 13:e0202633: at least one true breed named in 67.7 % of dogs."""
    trust = read_toml(breeds_toml())["trust"]
    assert trust["guess"]["trust"] == 0.677
    order = ("papers", "dna_test", "unstated", "guess")
    assert [trust[name]["trust"] for name in order] == sorted((trust[name]["trust"] for name in order), reverse=True)
    for breed_id in ("poodle", "samoyed", "border_terrier"):
        category = breeds.facts(breed_id).category_grown
        by = {
            name: share(breeds.category_distribution(breed_id, known_by=name), category) for name in ("papers", "guess")
        }
        nothing = share(breeds.background(), category)
        assert nothing < by["guess"] < by["papers"]
        # At most the share of dogs whose guessed breed was in them at all, and the rest as of an unknown dog.
        assert by["guess"] <= 0.677 * by["papers"] / 0.98 + 0.323 * nothing + 1e-9


def test_nothing_known_gives_the_background() -> None:
    for nothing in (breeds.find("mutt"), (), (None, None), {}):
        assert breeds.category_distribution(nothing) == breeds.background()
        assert breeds.band_distribution(nothing) == breeds.background_band()


def test_a_trimmed_drop_coat_is_hair_and_an_untrimmed_one_is_not() -> None:
    trimmed = breeds.category_distribution("shih_tzu", known_by="papers", trimmed=True)
    grown = breeds.category_distribution("shih_tzu", known_by="papers", trimmed=False)
    assert share(trimmed, CoatCategory.HAIR) > 0.9
    assert share(trimmed, CoatCategory.DROP) < 0.1
    assert share(grown, CoatCategory.DROP) > 0.9
    either = share(breeds.category_distribution("shih_tzu", known_by="papers"), CoatCategory.HAIR)
    assert share(grown, CoatCategory.HAIR) < either < share(trimmed, CoatCategory.HAIR)


def test_cords_cut_short_are_curls() -> None:
    assert share(breeds.category_distribution("puli", known_by="papers", trimmed=True), CoatCategory.CURLY) > 0.9


def test_hair_crossed_with_fur_is_most_likely_mixed() -> None:
    for one, other in (
        ("poodle", "labrador_retriever"),
        ("shih_tzu", "cavalier_king_charles_spaniel"),
        ("maltese", "pug"),
    ):
        chances = breeds.category_distribution((one, other), known_by="papers", trimmed=False)
        assert max(chances) == share(chances, CoatCategory.MIXED)


def test_a_named_cross_and_its_two_parents_say_nearly_the_same() -> None:
    for row in breeds.table().values():
        if row.kind is breeds.BreedKind.CROSS and len(row.parents) == 2:
            named = breeds.category_distribution(row.id, known_by="papers")
            parents = breeds.category_distribution(row.parents, known_by="papers")
            distance = sum(abs(a - b) for a, b in zip(named, parents, strict=True)) / 2
            assert distance < 0.5, (row.id, named, parents)


def test_the_table_of_crosses_is_whole() -> None:
    rules = read_toml(breeds_toml())["cross"]
    pairs = [frozenset(rule["coats"]) for rule in rules]
    assert len(set(pairs)) == len(pairs) == 7 * 8 // 2
    for rule in rules:
        assert set(rule["gives"]) <= set(CATEGORIES) and math.isclose(sum(rule["gives"].values()), 1)
    assert math.isclose(sum(breeds.background()), 1) and math.isclose(sum(breeds.background_band()), 1)


def test_bands_follow_the_trunk_length() -> None:
    def best(breed_id: str, trimmed: bool | None = None) -> LengthBand:
        chances = breeds.band_distribution(breed_id, known_by="papers", trimmed=trimmed)
        return BANDS[chances.index(max(chances))]

    assert best("greyhound") is LengthBand.UNDER_19MM
    assert best("xoloitzcuintle") is LengthBand.UNDER_19MM
    assert best("bernese_mountain_dog") is LengthBand.FROM_25_TO_75MM
    assert best("maltese", trimmed=False) is LengthBand.OVER_75MM
    assert best("maltese", trimmed=True) is LengthBand.FROM_25_TO_75MM


@pytest.mark.photos
def test_the_breeds_coat_is_the_labelled_one_on_nine_of_ten_training_photos(photos) -> None:
    """Evidence quality; the annotators saw the breed, so this flatters (see datasets/BREED_AGREEMENT.md)."""
    from training.breeds import compare_photos, read_table

    rows = [row for row in read_table(photos / "manifest.csv") if row["split"] == "train"]
    seen = compare_photos(rows)
    assert len(seen.pairs) > 1700 and seen.agreement > 0.9 and seen.kappa > 0.85


@pytest.mark.photos
def test_two_thirds_of_usually_trimmed_drop_coats_wear_a_trim_on_the_training_photos(photos) -> None:
    from training.breeds import read_table, usually_trimmed

    trimmed, drop = usually_trimmed([row for row in read_table(photos / "manifest.csv") if row["split"] == "train"])
    assert drop > 100
    assert trimmed / drop == pytest.approx(read_toml(breeds_toml())["trimmed_share"]["usually"], abs=0.08)


def breeds_toml():
    from pathlib import Path

    return Path(breeds.__file__).with_name("data") / "breeds.toml"
