"""The breed table: sound, sourced, and in agreement with what is published."""

from __future__ import annotations

import csv
import importlib.util
import re
from pathlib import Path

import pytest

from coatclass import breeds
from coatclass.errors import InputError, ModelFilesError
from coatclass.taxonomy import CoatCategory

REFERENCE = Path(__file__).resolve().parent.parent / "reference"


def test_the_table_is_sound_and_large_enough() -> None:
    assert breeds.check_table() == ()
    kinds = [row.kind for row in breeds.table().values()]
    assert sum(kind is not breeds.BreedKind.CROSS for kind in kinds) >= 250
    assert kinds.count(breeds.BreedKind.CROSS) >= 25


def test_every_row_states_where_it_comes_from() -> None:
    known = re.compile(r"FCI-Standard No\. \d+, COAT|AKC, 2022|The Kennel Club \(UK\)|from memory")
    assert all(known.search(row.source) for row in breeds.table().values())


def test_a_cross_names_its_parents_and_a_variety_its_breed() -> None:
    for row in breeds.table().values():
        if row.kind in (breeds.BreedKind.CROSS, breeds.BreedKind.VARIETY):
            assert row.parents and set(row.parents) <= set(breeds.table())


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (("category_grown", "fluffy"), "can't be read"),
        (("source", ""), "has no source"),
        (("parents", "no_such_breed"), "parents that are not in the table"),
        (("length_mm_low", "900"), "low before high"),
        (("weight_kg_low", "0"), "weight"),
        (("alternatives", "hair:0.9"), "leave at least a quarter"),
        (("trimmed_mm_low", ""), "exactly where a trim is customary"),
    ],
)
def test_a_damaged_row_is_named(tmp_path: Path, change: tuple[str, str], complaint: str) -> None:
    with breeds_csv().open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["id"] == "maltese"]
    rows[0][change[0]] = change[1]
    damaged = tmp_path / "breeds.csv"
    with damaged.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    problems = breeds.check_table(damaged)
    assert len(problems) == 1 and problems[0].startswith("maltese") and complaint in problems[0]


def test_an_unknown_id_is_refused_in_plain_words() -> None:
    with pytest.raises(InputError, match="not in the breed table"):
        breeds.facts("unicorn")
    assert not issubclass(InputError, ModelFilesError)


def test_a_drop_coat_in_a_trim_is_hair_and_wire_stays_wire() -> None:
    for row in breeds.table().values():
        if row.category_grown is CoatCategory.DROP:
            assert row.category_trimmed in (CoatCategory.HAIR, CoatCategory.CURLY), row.id
        else:
            assert row.category_trimmed is row.category_grown, row.id


def test_the_aliases_name_breeds_of_the_table_and_nobody_twice() -> None:
    pairs = list(breeds.aliases())
    assert {breed_id for _, breed_id in pairs} <= set(breeds.table())
    assert len({alias for alias, _ in pairs}) == len(pairs) > 1000


def breeds_csv() -> Path:
    return Path(__file__).resolve().parent.parent.parent / "datasets" / "breeds.csv"


# --- outside -------------------------------------------------------------------------------------------------------


def test_trunk_lengths_are_those_of_the_fci_standards() -> None:
    """FCI-Standard No. N, COAT, for the 69 breeds whose standard states a trunk length; each end within 20 %."""
    from training.breeds import fci_length_problems, read_table

    rows = read_table(REFERENCE / "fci_breed_trunk_lengths.csv")
    assert len(rows) == 69
    assert fci_length_problems(rows) == ()


@pytest.mark.tables
def test_the_carried_fci_lengths_are_those_of_the_reference_table(tables: Path) -> None:
    from training.breeds import read_table

    ours = {int(row["fci_number"]): row for row in read_table(REFERENCE / "fci_breed_trunk_lengths.csv")}
    theirs = read_table(tables / "fci_standard_hair_length_cm.csv")
    assert {int(row["fci_no"]) for row in theirs} == set(ours)
    for row in theirs:
        for cm, mm in (("min_cm", "low_mm"), ("max_cm", "high_mm")):
            carried = ours[int(row["fci_no"])][mm]
            assert (float(row[cm]) * 10 if row[cm] else None) == (float(carried) if carried else None)


@pytest.mark.tables
def test_length_classes_agree_with_both_kennel_clubs_at_least_as_well_as_the_clubs_with_each_other(
    tables: Path,
) -> None:
    """American Kennel Club ratings (TidyTuesday 2022-02-01) and The Kennel Club (UK); theirs: 81.9 %, kappa 0.707."""
    from training.breeds import CLUBS_AGREEMENT, CLUBS_KAPPA, Comparison, compare_lengths, read_table

    both = read_table(tables / "kennel_clubs_us_uk_matched.csv")
    same = [
        (row["akc_breed"], row["akc_coat_length"], row["kc_coat_length"])
        for row in both
        if row["akc_coat_length"] in ("Short", "Medium", "Long")
        and row["kc_coat_length"] in ("Short", "Medium", "Long")
    ]
    clubs = Comparison(tuple(same))
    assert (len(same), round(clubs.agreement, 3), round(clubs.kappa, 3)) == (127, CLUBS_AGREEMENT, CLUBS_KAPPA)
    shared = {breeds.find(name).id or "" for name, _, _ in same}
    us = compare_lengths(read_table(tables / "kennel_club_us_breed_traits.csv"), "Breed", "Coat Length")
    uk = compare_lengths(read_table(tables / "kennel_club_uk_breed_coats.csv"), "breed", "Coat length")
    for ours in (us, uk, us.only(shared), uk.only(shared)):
        assert len(ours.pairs) >= 120
        assert ours.agreement >= CLUBS_AGREEMENT
        assert ours.kappa >= CLUBS_KAPPA


@pytest.mark.tables
def test_no_other_limits_part_the_standards_lengths_better_by_the_clubs_words(tables: Path) -> None:
    """The limits of short and long come from the FCI's lengths and both clubs' words, not from our table."""
    from training.breeds import LONG_FROM_MM, SHORT_BELOW_MM, read_table

    said: dict[str, list[str]] = {}
    for file, name, column in (("us_breed_traits", "Breed", "Coat Length"), ("uk_breed_coats", "breed", "Coat length")):
        words: dict[str, str] = {}
        for row in read_table(tables / f"kennel_club_{file}.csv"):
            words.setdefault(breeds.find(row[name]).id or "", row[column])
        for breed_id, word in words.items():
            said.setdefault(breed_id, []).append(word)
    whole_breeds = [
        row
        for row in read_table(REFERENCE / "fci_breed_trunk_lengths.csv")
        if row["low_mm"] and row["high_mm"] and row["scope"] == "grown" and "variety" not in row["note"]
    ]
    pairs = [
        ((float(row["low_mm"]) * float(row["high_mm"])) ** 0.5, word)
        for row in whole_breeds
        for word in said.get(row["breed_id"], [])
        if word in ("Short", "Medium", "Long")
    ]
    assert len(pairs) >= 50

    def right(short: float, long: float) -> int:
        return sum(("Short" if mm < short else "Long" if mm >= long else "Medium") == word for mm, word in pairs)

    best = max(right(short, long) for short in range(15, 61) for long in range(50, 151, 5))
    assert right(SHORT_BELOW_MM, LONG_FROM_MM) == best


@pytest.mark.tables
def test_coat_types_agree_with_the_us_kennel_club(tables: Path) -> None:
    """American Kennel Club ratings (TidyTuesday 2022-02-01); faults of the table stand in its README."""
    from training.breeds import compare_types, read_table

    types = compare_types(read_table(tables / "kennel_club_us_breed_traits.csv"))
    assert len(types.pairs) == 195
    assert types.agreement >= 0.9


@pytest.mark.tables
def test_the_agreement_report_is_the_one_the_command_writes(tables: Path, photos: Path) -> None:
    from training.breeds import report

    written = (breeds_csv().parent / "BREED_AGREEMENT.md").read_text(encoding="utf-8")
    assert written == report(tables, REFERENCE / "fci_breed_trunk_lengths.csv", photos)


@pytest.mark.tables
def test_fci_numbers_are_those_of_the_nomenclature(tables: Path) -> None:
    """FCI nomenclature: 359 breeds; a row's number must be a number of it, and a main row's name must lead to it."""
    from training.breeds import read_table

    nomenclature = {int(row["id"]): row["name"] for row in read_table(tables / "fci_nomenclature.csv")}
    numbered = [row for row in breeds.table().values() if row.fci_number is not None]
    assert {row.fci_number for row in numbered} <= set(nomenclature)
    missing = [name for number, name in nomenclature.items() if breeds.find(name).id is None]
    assert missing == []


def test_imagenets_dog_classes_are_118_breeds_in_the_order_of_their_wordnet_ids() -> None:
    """WordNet 3.0 ids; ILSVRC 2012: classes 151 (n02085620) to 268 (n02113978) in ascending order of the ids."""
    with (breeds_csv().parent / "imagenet_dogs.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [int(row["index"]) for row in rows] == list(range(151, 269))
    ids = [row["wnid"] for row in rows]
    assert ids == sorted(set(ids)) and (ids[0], ids[-1]) == ("n02085620", "n02113978")
    assert dict(breeds.kin_table()) == {int(row["index"]): row["breed_id"] for row in rows}
    assert set(breeds.kin_table().values()) <= set(breeds.table())


@pytest.mark.tables
def test_imagenets_dog_classes_are_wordnets_dogs(tables: Path) -> None:
    from training.breeds import read_table

    names = {row["wnid"]: row["lemmas"].split("|") for row in read_table(tables / "wordnet30_dog_synsets.csv")}
    wider = {"toy terrier": "manchester_terrier_toy", "collie": "rough_collie"}  # names wider than any one breed
    for row in read_table(breeds_csv().parent / "imagenet_dogs.csv"):
        lemmas = [lemma.replace("_", " ") for lemma in names[row["wnid"]]]
        assert row["name"] in lemmas
        matches = [breeds.find(lemma).id for lemma in lemmas]
        assert row["breed_id"] in matches or wider[row["name"]] == row["breed_id"]


@pytest.mark.train
def test_imagenets_order_is_the_one_that_the_model_library_ships() -> None:
    """timm's list of the 1,000 classes, read without importing timm (and torch)."""
    library = importlib.util.find_spec("timm")
    if library is None or library.origin is None:
        pytest.skip("the training extra is not installed")
    names = (Path(library.origin).parent / "data" / "_info" / "imagenet_synsets.txt").read_text().split()
    assert len(names) == 1000
    with (breeds_csv().parent / "imagenet_dogs.csv").open(encoding="utf-8", newline="") as stream:
        assert all(names[int(row["index"])] == row["wnid"] for row in csv.DictReader(stream))
