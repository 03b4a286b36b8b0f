"""Labelled photos become one JSON and one page; worse pictures are worse, and each corruption grows."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image
from simulated_dogs import dogs

from coatclass.errors import InputError
from coatclass.reports.evaluation import (
    build_report,
    write_report,
)
from coatclass.reports.evaluation.breakdowns import CORRUPTIONS, corrupt, subset
from coatclass.reports.evaluation.report import page as page_of
from coatclass.reports.evaluation.report import restored
from coatclass.taxonomy import BANDS, CATEGORIES
from tests.later import Later

Later("matplotlib")


@pytest.fixture(scope="module")
def report():
    return build_report(dogs(), "simulated dogs", resamples=50, draws=2)


@pytest.fixture(scope="module")
def folder(report, tmp_path_factory):
    """Where the report has been written, in a folder of its own."""
    folder = tmp_path_factory.mktemp("report")
    write_report(report, dogs(), folder)
    return folder


@pytest.fixture(scope="module")
def page(folder):
    return (folder / "evaluation.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def read(folder):
    return json.loads((folder / "evaluation.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def fuller(report):
    """The page of a report that also holds a reference, a ready-made table and worse pictures."""
    figures = {part: dict(of) for part, of in report["photo"].items()}
    extra = {"title": "More", "text": "Told.", "head": ["a", "member", "loss"], "rows": [["x", "trees, 200", "0.25"]]}
    judged = {"severity": 1, "refused": 0.75, "doubtful": 0.25, "answered": 5, "accuracy": 0.8, "strength": 1.0}
    judged |= {"accuracy_interval": (0.2, 1.0), "settled_photos": 0, "settled_wrong": 0}
    curve = {"unit": "px", "rows": [judged | {"severity": 0}, judged, {"severity": 2, "refused": 1.0, "doubtful": 0.0}]}
    curve["rows"][2]["strength"] = 2.0
    more = {
        "reference": {"what": "another model", "figures": figures},
        "extras": [extra],
        "robustness": {"n": 20, "short_side_px": 256, "curves": {"blur": curve}},
    }
    return page_of(report | more, {})


def test_the_report_has_every_section(report):
    expected = {
        "photo", "confusion", "calibration", "dog", "sets", "verdicts", "mixed", "by_confidence", "annotators",
        "subgroups", "simulated_answers", "simulated_question_worth", "errors",
    }  # fmt: skip
    assert expected <= set(report)
    for figure in report["photo"]["category"].values():
        assert figure.low - 1e-9 <= figure.value <= figure.high + 1e-9 or figure.n < 200
    assert report["data"]["other_pictures"] == 5
    assert report["annotators"]["category_kappa"]["first and second annotator"].value < 1


def test_answers_are_called_simulated_wherever_their_numbers_show(read, page):
    assert read["simulated_answers"]["simulated"] and read["simulated_question_worth"]["simulated"]
    answers = page[page.index('">Answers</h2>') :]
    assert answers.count("simulated") >= 4


def test_wrong_answers_make_answers_worse(report):
    rows = [row for row in report["simulated_answers"]["rows"] if row["regime"] == "answers"]
    assert rows[0]["log_loss"].value < rows[-1]["log_loss"].value


def test_simulated_rows_are_means_of_several_draws_and_say_how_far_these_spread(report, page):
    sweep = report["simulated_answers"]
    assert sweep["draws"] == 2 and f"the mean of {sweep['draws']} draws" in page
    for row in sweep["rows"]:
        assert set(row["spread"]) == set(row) - {"regime", "error_rate", "spread"}
        assert 0 < row["spread"]["log_loss"] < 1
    # what photo and answers agree on hardly hangs on the draw; answers alone do
    mean = {regime: np.mean([row["spread"]["log_loss"] for row in sweep["rows"] if row["regime"] == regime])
            for regime in ("answers", "both")}  # fmt: skip
    assert mean["both"] < mean["answers"]


def test_the_page_is_whole_and_needs_no_network(page):
    found: list[str] = []

    class Links(HTMLParser):
        def handle_starttag(self, tag, attrs):
            for name, value in attrs:
                if name in ("src", "href", "xlink:href") and value and not value.startswith(("#", "data:")):
                    found.append(value)

    Links().feed(page)
    assert found == []
    assert "<script" not in page
    assert page.count("<svg") >= 8
    assert page.count('role="img"') == page.count("<svg"), "every plot has a spoken name"
    assert page.rstrip().endswith("</html>")


def test_the_json_holds_plain_numbers_with_intervals(read, folder):
    accuracy = read["photo"]["category"]["accuracy"]
    assert set(accuracy) == {"value", "low", "high", "n"}
    assert read["schema_version"] == 1
    assert not list(folder.glob("*.unfinished"))


def test_the_page_can_be_made_again_from_the_json(read, page):
    assert page_of({"errors": [], **restored(read)}, {}) == page


def test_beside_a_reference_each_figure_is_told_once(page, fuller):
    for name in ("balanced accuracy", "within one band"):
        assert page.count(f">{name}</th>") == fuller.count(f">{name}</th>") == 1
    assert "Reference: another model." in fuller


def test_words_of_ready_made_tables_stand_to_the_left_and_numbers_to_the_right(fuller):
    assert "<td>trees, 200</td>" in fuller and '<td class="n">0.25</td>' in fuller
    assert '<th scope="col">member</th><th scope="col" class="n">loss</th>' in fuller


def test_accuracy_of_worse_pictures_is_told_with_the_number_of_photos_that_were_not_refused(fuller):
    assert "0.800 of 5 <span>(0.200 to 1.000)</span>" in fuller
    assert ">15 + 5<" in fuller and ">20 + 0<" in fuller and ">all refused<" in fuller


def test_a_report_where_nothing_may_be_written_is_refused(report, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError, match="can't be written"):
        write_report(report, dogs(), tmp_path / "file")


def test_a_small_dog_gets_smaller_with_severity():
    white = Image.new("RGB", (128, 128), "white")
    rng = np.random.default_rng(0)
    sizes = [
        (np.asarray(corrupt(white, "small dog", strength, rng)) == 255).all(axis=2).mean()
        for strength in CORRUPTIONS["small dog"][1]
    ]
    assert sizes == sorted(sizes, reverse=True) and sizes[0] < 1


@pytest.mark.parametrize("kind", [kind for kind in CORRUPTIONS if kind != "small dog"])
def test_each_corruption_grows_with_its_severity_and_keeps_the_size(kind):
    # Hendrycks and Dietterich 2019: five severities, each worse than the one before.
    rng = np.random.default_rng(0)
    smooth = np.asarray(Image.fromarray(rng.integers(0, 255, (16, 16, 3), dtype=np.uint8)).resize((128, 128)))
    image = Image.fromarray(smooth)
    distances = []
    for strength in CORRUPTIONS[kind][1]:
        worse = corrupt(image, kind, strength, np.random.default_rng(1))
        assert worse.size == image.size
        distances.append(np.abs(np.asarray(worse, dtype=float) - smooth).mean())
    assert len(distances) == 5
    assert all(first < second * 1.02 for first, second in pairwise(distances))


def test_the_subset_for_worse_pictures_keeps_the_shares_of_the_categories():
    everything = dogs(300)
    part = subset(everything, 70)
    assert 60 <= len(part) <= 80
    whole = np.bincount(everything.judged.truth, minlength=7) / 300
    assert np.bincount(part.truth, minlength=7) / len(part) == pytest.approx(whole, abs=0.03)
    assert len(CATEGORIES) == 7 and len(BANDS) == 4


def test_people_read_lengths_in_millimetres_and_not_the_names_of_the_data(page):
    assert "19 to 25 mm" in page and "19 25mm" not in page and "19_25mm" not in page
    assert ">-0.000<" not in page


@pytest.mark.photos
@pytest.mark.slow
def test_worse_pictures_of_real_dogs_go_the_whole_way_of_a_file(photos):
    from coatclass.reports.evaluation import LabelledPhoto, LabelledPhotos, look_at, robustness, with_decisions

    files = sorted((photos / "open").glob("beagle*.jpg"))[:3]
    fur = CATEGORIES.index("fur")
    cases = with_decisions(look_at(LabelledPhotos(tuple(LabelledPhoto(f.name, f, f.name, fur, 0) for f in files))))
    section = robustness(cases)
    assert section["n"] == len(files) >= 3
    assert set(section["curves"]) == set(CORRUPTIONS)
    untouched = section["curves"]["blur"]["rows"][0]
    assert untouched["accuracy"] == 1 and untouched["refused"] == 0, "a beagle has fur"
    low, high = untouched["accuracy_interval"]
    assert low <= untouched["accuracy"] <= high
    for kind, curve in section["curves"].items():
        assert [row["severity"] for row in curve["rows"]] == [0, 1, 2, 3, 4, 5]
        assert [row["strength"] for row in curve["rows"][1:]] == list(CORRUPTIONS[kind][1])
        for row in curve["rows"]:
            assert row["settled_wrong"] <= row.get("settled_photos", 0) <= row["answered"] <= section["n"]
    worst = section["curves"]["blur"]["rows"][5]
    assert worst["refused"] + worst["doubtful"] > 0, "a blurred photo is refused or doubted"
