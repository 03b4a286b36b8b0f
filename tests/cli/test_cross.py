"""A cross in plain text: litter, touch, and the puppy's way with its kits."""

from __future__ import annotations

import pytest

from coatclass.cli import main


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


def test_the_named_crosses_are_printed_without_parents(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cross"]) == 0
    assert capsys.readouterr().out.count("Adult coats of the litter") == 12


def test_an_unknown_breed_ends_with_a_plain_message_and_code_3(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cross", "maltese", "zzyzx"]) == 3
    assert "zzyzx" in capsys.readouterr().err
