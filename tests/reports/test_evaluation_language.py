"""The page of the evaluation report in German: all of it, while the JSON beside it stays as it is."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest
from simulated_dogs import dogs

from coatclass.cli import main
from coatclass.reports.evaluation import LabelledPhotos, build_report, compare, write_predictions, write_report
from coatclass.reports.evaluation.breakdowns import CORRUPTIONS, TRAITS_TOLD
from coatclass.reports.evaluation.figures import wording
from coatclass.reports.evaluation.report import notes
from tests.later import Later

Later("matplotlib")
pytestmark = pytest.mark.slow

# What both pages may hold: what the researcher named, and what is called the same in both languages.
THE_SAME = {"F1", "image/svg+xml", "here", "between"}
NUMBERS_OF_VERSIONS = ("Matplotlib v", "tuned-", "0.1.0")


@pytest.fixture(scope="module")
def cases():
    """Dogs of breeds and from sources, one of them named like a group of ours, and a photo that was refused."""
    told = [replace(case, breed="Beagle", source=("here", "between")[n % 2]) for n, case in enumerate(dogs().rows)]
    refused = replace(told[0], file="refused.jpg", evidence=None, estimate=None, decision=None, report=None)
    return LabelledPhotos((*told, refused))


@pytest.fixture(scope="module")
def report(cases, tmp_path_factory):
    """A report with every section that a researcher can have."""
    folder = tmp_path_factory.mktemp("predictions")
    write_predictions(cases, folder)
    table = folder / "predictions.csv"
    made = build_report(cases, "coatclass on dogs.csv", resamples=5, draws=2, gallery=3)
    judged = {"severity": 1, "refused": 0.75, "doubtful": 0.25, "answered": 5, "accuracy": 0.8, "strength": 1.5}
    judged |= {"accuracy_interval": (0.2, 1.0), "settled_photos": 2, "settled_wrong": 1}
    judged |= {"settled_wrong_interval": (0.01, 0.99)}
    rows = [judged | {"severity": 0}, judged, judged | {"settled_photos": 0}]
    rows.append({"severity": 2, "refused": 1.0, "doubtful": 0.0, "strength": 2.0})
    curves = {kind: {"unit": unit, "rows": rows} for kind, (unit, _) in CORRUPTIONS.items()}
    made["calibration"] |= {"own_answers": {**made["calibration"]["simulated_answers"], "simulated": False}}
    own = {"n": 3, **dict.fromkeys(("photo", "answers", "both"), made["simulated_answers"]["photo"])}
    more = {"robustness": {"n": 20, "short_side_px": 256, "curves": curves}, "own_answers": own}
    return made | more | {"comparison": compare(table, table, resamples=5)}


@pytest.fixture(scope="module")
def written(report, tmp_path_factory):
    """Where the report was written, by language."""
    folders = {language: tmp_path_factory.mktemp(language) for language in ("en", "de")}
    for language, folder in folders.items():
        write_report(report, None, folder, language)
    return folders


@pytest.fixture(scope="module")
def german(written):
    return (written["de"] / "evaluation.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def english(written):
    return (written["en"] / "evaluation.html").read_text(encoding="utf-8")


def texts(html: str) -> list[str]:
    """What stands between tags, and what a screen reader speaks; without style sheets."""
    html = re.sub(r"<style.*?</style>|<!--.*?-->", "", html, flags=re.DOTALL)
    spoken = re.findall(r'(?:aria-label|alt)="([^"]*)"', html)
    return [text for one in (*re.split(r"<[^>]*>", html), *spoken) if (text := unescape(one).strip())]


def test_nothing_on_the_german_page_is_said_in_english(report, english, german):
    said, told = texts(english), texts(german)
    assert len(said) == len(told)
    own = THE_SAME | {photo["file"] for photo in report["refused_photos"]}
    own |= {row["file"] for row in report["annotators"]["where_annotators_split"]["photos"]}
    words = {text for text in said if re.search("[A-Za-z]{2}", text) and not text.startswith("Matplotlib")}
    assert words & set(told) - own == set()
    assert len(words) > 200


def test_numbers_are_written_with_a_comma(german):
    pointed = [text for text in texts(german) if re.search(r"\d\.\d", text)]
    assert all(any(version in text for version in NUMBERS_OF_VERSIONS) for text in pointed), pointed
    assert "0,800 bei 5" in german and ">0,8<" in german  # a table, the axis of a plot


def test_the_page_says_in_which_language_it_is(english, german):
    assert '<html lang="de">' in german and '<html lang="en">' in english
    assert wording("fr").language == "en", "a language without these texts gets the English page, whole"


def test_the_json_is_the_same_in_every_language(written):
    held = [(folder / "evaluation.json").read_bytes() for folder in written.values()]
    assert held[0] == held[1] and b"coatclass on dogs.csv" in held[0]


@pytest.mark.parametrize(
    "text",
    [
        *notes(judged=20, alone=20, dogs=20, measured=3),
        *notes(judged=20, alone=3, dogs=40, measured=9),
        TRAITS_TOLD,
    ],
)
def test_what_a_reader_must_know_is_said_in_german_with_its_numbers(text):
    german = wording("de").told(text)
    assert german != text
    assert re.findall(r"\d+", german) == re.findall(r"\d+", text)


def test_names_of_the_researchers_own_stay(german):
    say = wording("de").subgroup
    assert say({"kind": "source", "name": "between"}) == "Herkunft: between"
    assert say({"kind": "my camera", "name": "between"}) == "my camera: between"
    assert say({"kind": "my camera", "name": "(all other values)"}) == "my camera: (alle anderen Werte)"
    assert say({"kind": "light", "name": "middling"}) == "Licht: mittel"
    assert "Herkunft: between" in texts(german)


def test_the_command_writes_the_page_in_the_language_asked_for(cases, tmp_path, capsys):
    write_predictions(cases, tmp_path)
    table, out = str(tmp_path / "predictions.csv"), tmp_path / "out"
    assert main(["evaluate", table, "--out", str(out), "--resamples", "5", "--language", "de"]) == 0
    assert "Geschrieben" in capsys.readouterr().out
    told = texts((out / "evaluation.html").read_text(encoding="utf-8"))
    assert told[0] == "coatclass, geprüft an predictions.csv"
    assert "Es wurde schon bei der Beurteilung abgelehnt." in told
    assert not [text for text in told if "dogs" in text or "intervals" in text]
