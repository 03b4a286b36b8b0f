"""What people write about a dog's breed, and what it is read as."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
import time
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coatclass import breeds
from coatclass.breeds import HowFound
from coatclass.words import LANGUAGES


@pytest.mark.parametrize(
    ("text", "breed_id"),
    [
        ("Labrador Retriever", "labrador_retriever"),
        ("  LABRADOR   retriever ", "labrador_retriever"),
        ("Retrievers\u00a0(Labrador)", "labrador_retriever"),
        ("Spaniels (English Springer)", "english_springer_spaniel"),
        ("Löwchen", "lowchen"),
        ("Cirnechi dell’Etna", "cirneco_delletna"),
        ("Komondorok", "komondor"),
        ("lab", "labrador_retriever"),
        ("yorkies", "yorkshire_terrier"),
        ("my dog is a westie", "west_highland_white_terrier"),
        ("mini goldendoodle F1b", "goldendoodle"),
        ("cavoodle", "cavapoo"),
        ("staffie", "staffordshire_bull_terrier"),
        ("doodle", "poodle_cross"),
    ],
)
def test_names_and_nicknames_are_found(text: str, breed_id: str) -> None:
    match = breeds.find(text)
    assert match.id == breed_id and match.score == 100 and match.known


@pytest.mark.parametrize(
    ("text", "breed_id"),
    [
        ("labradr retrever", "labrador_retriever"),
        ("rotwielr", "rottweiler"),
        ("chihuahwa", "chihuahua"),
        ("schnauzzer miniature", "miniature_schnauzer"),
        ("soft coated wheeten terier", "soft_coated_wheaten_terrier"),
        ("newfoundlnd", "newfoundland"),
        ("bernese mountian dog", "bernese_mountain_dog"),
        ("pekingeese", "pekingese"),
        ("bishon friseé", "bichon_frise"),
        ("cockapooo", "cockapoo"),
    ],
)
def test_misspellings_are_found_with_a_score_below_the_exact_one(text: str, breed_id: str) -> None:
    match = breeds.find(text)
    assert match.id == breed_id
    assert match.found is HowFound.FUZZY and 84 <= match.score < 100
    assert match.candidates[0] == (breed_id, match.score)


@pytest.mark.parametrize(
    "text",
    ["", "   ", "?", "Don't know", "don’t know", "no idea", "unknown", "I don't know", "mixed", "Mixed breed", "mutt",
     "Mongrel", "rescue dog", "a mix", "crossbreed", "n/a", "None", "Mischling"],
)  # fmt: skip
def test_not_knowing_is_no_breed(text: str) -> None:
    match = breeds.find(text)
    assert not match.known and match.found is HowFound.NOTHING and match.ids == () and not match.is_cross


@pytest.mark.parametrize(
    "text",
    [
        "terrier",
        "spaniel",
        "hound",
        "shepherd",
        "table",
        "banana",
        "cat",
        "asdfgh",
        "12345",
        "🐕",
        "sofa cushion",
        "silky",
        "area",
        "port",
    ],
)
def test_words_that_name_no_breed_are_not_forced_into_one(text: str) -> None:
    assert not breeds.find(text).known


@pytest.mark.parametrize(
    ("text", "parents", "breed_id"),
    [
        ("poodle x labrador", {"poodle", "labrador_retriever"}, "labradoodle"),
        ("Labrador × Poodle", {"poodle", "labrador_retriever"}, "labradoodle"),
        ("half beagle half pug", {"beagle", "pug"}, "puggle"),
        ("half beagle, half pug", {"beagle", "pug"}, "puggle"),
        ("toy poodle/yorkie", {"poodle_toy", "yorkshire_terrier"}, "yorkipoo"),
        ("akita mixed with husky", {"akita", "siberian_husky"}, None),
        ("a cross between a collie and a labrador", {"collie", "labrador_retriever"}, None),
        ("cross of whippet and border terrier", {"whippet", "border_terrier"}, None),
        ("lab mix", {"labrador_retriever", None}, None),
        ("part poodle", {"poodle", None}, None),
        ("pug x something else", {"pug", None}, None),
    ],
)
def test_crosses_are_taken_apart_into_parents(text: str, parents: set[str | None], breed_id: str | None) -> None:
    match = breeds.find(text)
    assert set(match.parents) == parents and match.id == breed_id
    assert match.is_cross and match.known


def test_this_or_that_settles_on_neither_and_offers_both() -> None:
    match = breeds.find("labrador or golden retriever")
    assert not match.known
    assert [breed_id for breed_id, _ in match.candidates] == ["labrador_retriever", "golden_retriever"]


def test_two_parents_of_one_breed_are_that_breed() -> None:
    assert breeds.find("poodle x poodle").id == "poodle"
    assert not breeds.find("poodle x poodle").is_cross


@pytest.mark.parametrize(
    "name", ["black and tan coonhound", "Irish Red & White Setter", "English Toy Terrier (Black &Tan)"]
)
def test_an_and_inside_a_name_makes_no_cross(name: str) -> None:
    match = breeds.find(name)
    assert match.id and not match.parents


def test_every_row_is_found_by_its_own_id_and_name() -> None:
    for row in breeds.table().values():
        assert breeds.find(row.id).id == row.id
        assert breeds.find(row.name).id == row.id


@given(st.text(max_size=300))
def test_any_text_gets_an_answer(text: str) -> None:
    match = breeds.find(text)
    assert set(match.ids) <= set(breeds.table())
    assert 0 <= match.score <= 100


def one_by_one(text: str) -> str:
    """:func:`breeds.normalise` by its definition, step by step and word by word."""
    text = unicodedata.normalize("NFKD", text.replace("&", " and ").replace("/", " x ").replace("×", " x "))
    text = "".join(letter for letter in text if not unicodedata.combining(letter)).replace("’", "'").lower()
    text = re.sub(r"['`]s\b", "", re.sub(r"\((imp|int|min|std)\.?\)", " ", text)).strip()
    text = re.sub(r"^([^(]*)\(([^)]*)\)([^()]*)$", r"\2 \1 \3", text)
    words = re.findall(r"[a-z0-9]+", text.replace("ø", "o").replace("ł", "l").replace("ß", "ss"))
    words = [one[:-1] if len(one) > 3 and one.endswith("s") and not one.endswith("ss") else one for one in words]
    return " ".join(f"{one[:-2]}y" if len(one) > 3 and one.endswith("ie") else one for one in words)


@given(st.lists(st.text(st.sampled_from("abeiss  \n\r()’'`/&×øßé̈İﬁ（）\u2028") | st.characters()), min_size=1))
def test_names_read_together_are_read_as_each_alone(texts: list[str]) -> None:
    expected = [one_by_one(text) for text in texts]
    assert breeds.normalise_all(texts) == expected
    assert [breeds.normalise(text) for text in texts] == expected


@pytest.mark.photos
def test_the_breed_names_of_the_photos_are_found(photos: Path) -> None:
    with (photos / "manifest.csv").open(encoding="utf-8", newline="") as stream:
        names = {row["breed"] for row in csv.DictReader(stream)}
    unread = {name for name in names if not breeds.find(name.replace("_", " ")).known}
    assert len(names) == 473 and unread == {"mongrel", "pulin"}


def test_looking_a_name_up_loads_nothing_heavy_and_is_quick() -> None:
    code = (
        "import sys\nfrom coatclass import breeds\n"
        "assert breeds.find('labrador').id == 'labrador_retriever'\n"
        "heavy = {'rapidfuzz', 'numpy', 'sklearn', 'torch', 'pandas'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    breeds.find("warm")
    start = time.process_time()  # however many others use the machine
    for _ in range(20):
        breeds.find("labradr retrever")
    assert (time.process_time() - start) / 20 < 0.05


# --- in other languages -----------------------------------------------------------------------------------------------


def test_every_breed_is_understood_by_its_name_in_each_language() -> None:
    assert breeds.name_of("german_shepherd", "de") == "Deutscher Schäferhund"
    for language in LANGUAGES:
        names = {row: breeds.name_of(row, language) for row in breeds.table()}
        assert len(set(names.values())) == len(names)
        assert {row: breeds.find(name).id for row, name in names.items()} == {row: row for row in names}


def test_a_cross_is_called_by_its_parents_in_german() -> None:
    assert breeds.name_of("morkie", "de") == "Malteser x Yorkshire Terrier (Morkie)"
    assert breeds.name_of("double_doodle", "de") == "Labradoodle x Goldendoodle (Double Doodle)"
    assert breeds.name_in_language("Pug x unknown", "de") == "Mops x unknown"
    assert breeds.name_in_language("Golden Retriever", "de") == "Golden Retriever"


@pytest.mark.tables
@pytest.mark.parametrize("number", [102, 117, 144, 145, 232])
def test_german_names_are_those_under_which_the_fci_lists_a_breed(tables: Path, number: int) -> None:
    """FCI nomenclature; of the breeds of German-speaking countries it lists only these under a German name."""
    ours = next(row.id for row in breeds.table().values() if row.fci_number == number and row.kind == "breed")
    with (tables / "fci_nomenclature.csv").open(encoding="utf-8", newline="") as stream:
        theirs = next(row["name"] for row in csv.DictReader(stream) if row["id"] == str(number))
    assert breeds.name_of(ours, "de").casefold() == theirs.casefold()
