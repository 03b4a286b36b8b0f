"""A cross in plain text: litter, touch, and the puppy's way with its kits."""

from __future__ import annotations

import pytest

from coatclass.answers import Answers
from coatclass.assessing import assess
from coatclass.cli import main
from coatclass.contract import Role

PAIRS = (
    ("poodle_standard", "labrador retriever"),
    ("poodle_standard", "golden retriever"),
    ("maltese", "pomeranian"),
    ("beagle", "pug"),
    ("siberian husky", "poodle_standard"),
    ("border terrier", "jack russell terrier"),
    ("yorkshire terrier", "shih tzu"),
    ("german shepherd dog", "samoyed"),
)


def test_a_cross_is_printed_with_litter_touch_and_path(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cross", "poodle_standard", "golden retriever", "--generation", "f2"]) == 0
    text = capsys.readouterr().out
    assert text.count("Kit: ") == 3
    for words in ("Without beard and brows: 1/4", "Touch that tells most", "The adult coat comes in", "RSPO2"):
        assert words in text


def test_an_owner_reads_no_genes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cross", "maltese", "pomeranian", "--for", "owner"]) == 0
    text = capsys.readouterr().out
    assert "RSPO2" not in text
    assert "not for hand-stripping" in text


def test_a_date_of_birth_gives_dates(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cross", "maltese", "pomeranian", "--born", "2026-08-31"]) == 0
    assert "2027-02-28" in capsys.readouterr().out


def test_a_pup_of_a_cross_gets_the_kit_that_assess_gives_it(capsys: pytest.CaptureFixture[str]) -> None:
    """Pups of half a month and of three: the first kit of ``cross`` is the kit of ``assess`` from the same facts."""
    for first, second in PAIRS:
        assert main(["cross", first, second]) == 0
        planned = next(line for line in capsys.readouterr().out.splitlines() if "Kit: " in line).split("Kit: ")[1]
        for age in (0.5, 3.0):
            shown = assess(answers=Answers(parents=(first, second), age_months=age))
            names = [item.name for item in shown.kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)]
            assert planned.rstrip(".") == ", ".join(names), (first, second, age)


def test_the_named_crosses_are_printed_without_parents(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cross"]) == 0
    assert capsys.readouterr().out.count("Adult coats of the litter") == 12


def test_an_unknown_breed_ends_with_a_plain_message_and_code_3(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cross", "maltese", "zzyzx"]) == 3
    assert "zzyzx" in capsys.readouterr().err


def test_a_cross_in_german_says_the_same_and_nothing_in_english(capsys: pytest.CaptureFixture[str]) -> None:
    pair, lines, german = ["cross", "maltese", "pomeranian"], {}, ""
    for audience in ("owner", "groomer"):
        for language in ("en", "de"):
            assert main([*pair, "--born", "2026-08-31", "--for", audience, "--language", language]) == 0
            text = capsys.readouterr().out
            lines[language] = text.splitlines()
            german += text if language == "de" else ""
        assert len(lines["de"]) == len(lines["en"])
        # But for names and empty lines no line is as it was in English.
        assert not {line for line in lines["en"][1:] if line} & set(lines["de"])
    for words in ("Eltern: Maltese", "84,8 %", "nicht von Hand getrimmt", "Grobzinkiger Kamm", "ab dem 28.02.2027"):
        assert words in german
    made = []
    for language in ("en", "de"):
        assert main([*pair, "--json", "--language", language]) == 0
        made.append(capsys.readouterr().out)
    assert made[0] == made[1]
