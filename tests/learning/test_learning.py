"""Findings correct the stated tables where these are wrong, and change little where they are right."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass import answers as questionnaire
from coatclass import ensemble
from coatclass.answers import Answers
from coatclass.contract import PhotoEvidence
from coatclass.errors import RecordError
from coatclass.learning import RELEASED, Example, LearnedModel, Shelf, examples, learn, pack_photos
from coatclass.learning.fitting import fit, folds_of, map_temperature, probabilities
from coatclass.records import AnswerSheet, Dog, Finding, StoredAssessment, learning_cases, open_records
from coatclass.taxonomy import BANDS, CATEGORIES, BodyZone, CoatCategory, LengthBand


def other_words(said: Answers) -> Answers:
    """Owners of this simulated salon say of every dog that it sheds little and that its hair keeps growing."""
    return said.model_copy(update={"keeps_growing": True, "shedding": "little"})


# --- rows -----------------------------------------------------------------------------------------------------------


def test_a_row_is_the_posterior_mean_of_its_counts() -> None:
    """Worked by hand: 30 wire coats found, 12 called soft; stated 0.12, worth 20 dogs: (20 * 0.12 + 12) / 50."""
    band = LengthBand.FROM_25_TO_75MM
    found = [
        Example(str(number), CoatCategory.WIRE, band, Answers(feel="soft" if number < 12 else "harsh"))
        for number in range(30)
    ]
    stated = questionnaire.likelihood("feel", "soft")[CATEGORIES.index(CoatCategory.WIRE)][BANDS.index(band)]
    learned = fit(found, ensemble.load()).tables["feel"]["soft"]
    assert learned[CATEGORIES.index(CoatCategory.WIRE)][BANDS.index(band)] == pytest.approx((20 * stated + 12) / 50)
    assert (
        learned[CATEGORIES.index(CoatCategory.DROP)]
        == questionnaire.likelihood("feel", "soft")[CATEGORIES.index(CoatCategory.DROP)]
    )


def test_learned_rows_are_still_distributions(simulate) -> None:
    tables = fit(simulate(80, change=other_words), ensemble.load()).tables
    for by_answer in tables.values():
        assert np.allclose(sum(np.array(table) for table in by_answer.values()), 1)


def test_nothing_found_leaves_everything_as_stated() -> None:
    learned = fit([], ensemble.load())
    said = Answers(feel="soft", curl="wavy", lie="hangs", keeps_growing=True, trunk_length_mm=60)
    assert learned.temperatures == {}
    assert np.allclose(learned.evidence(said).log_likelihood, questionnaire.evidence(said).log_likelihood)


@settings(max_examples=5, deadline=None)
@given(st.randoms(use_true_random=False))
def test_many_findings_outweigh_what_was_stated(random) -> None:
    """Law of large numbers: a row learned from 1,000 dogs lies within 0.05 of how owners really answer."""
    share = random.random()
    found = [
        Example(str(number), CoatCategory.DROP, LengthBand.OVER_75MM, Answers(keeps_growing=number < 1000 * share))
        for number in range(1000)
    ]
    learned = fit(found, ensemble.load()).tables["keeps_growing"]["true"]
    assert learned[CATEGORIES.index(CoatCategory.DROP)][3] == pytest.approx(share, abs=0.05)


def test_without_a_length_a_finding_teaches_only_what_holds_at_any_length() -> None:
    """ "fur" has a row of its own for each length, "wire" one for all."""
    fur = Example("a", CoatCategory.FUR, None, Answers(feel="woolly"))
    wire = Example("b", CoatCategory.WIRE, None, Answers(feel="woolly"))
    learned, stated = (
        fit([fur, wire], ensemble.load()).tables["feel"]["woolly"],
        questionnaire.likelihood("feel", "woolly"),
    )
    assert learned[CATEGORIES.index(CoatCategory.FUR)] == stated[CATEGORIES.index(CoatCategory.FUR)]
    assert all(np.array(learned[CATEGORIES.index(CoatCategory.WIRE)]) > stated[CATEGORIES.index(CoatCategory.WIRE)])


# --- temperatures ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("true", [0.6, 1.0, 2.0])
def test_a_known_temperature_is_found_again(true: float) -> None:
    """Truths drawn from softmax(z); the logs given are true * z, so that dividing by ``true`` undoes it (simulated)."""
    random = np.random.default_rng(5)
    z = random.normal(0, 2, (4000, 7))
    chance = np.exp(z) / np.exp(z).sum(axis=1, keepdims=True)
    truths = [int(random.choice(7, p=row)) for row in chance]
    assert map_temperature(true * z, truths, released=1.0) == pytest.approx(true, rel=0.06)


def test_few_findings_hardly_move_a_temperature() -> None:
    random = np.random.default_rng(5)
    z = random.normal(0, 2, (5, 7))
    assert 1.0 < map_temperature(z, [0, 1, 2, 3, 4], released=1.3) < 2.2


def test_a_regime_with_few_findings_keeps_the_released_temperature(simulate) -> None:
    assert fit(simulate(29), ensemble.load()).temperatures == {}
    assert set(fit(simulate(30), ensemble.load()).temperatures) == {"answers"}


# --- before and after -----------------------------------------------------------------------------------------------


def test_where_owners_use_other_words_learning_helps(simulate) -> None:
    """On dogs that were not learned from, and again on 300 new ones (all simulated)."""
    model, told = learn(simulate(250, change=other_words))
    assert told.worth_switching and told.after.log_loss < told.before.log_loss
    members, new = ensemble.load(), simulate(300, seed=2, change=other_words)

    def loss(model: LearnedModel) -> float:
        share = [probabilities(case, model, model.members(members))[CATEGORIES.index(case.category)] for case in new]
        return -float(np.log(share).mean())

    assert loss(model) < loss(RELEASED)


def test_where_the_tables_are_right_learning_neither_helps_much_nor_harms(simulate) -> None:
    _, told = learn(simulate(250))
    assert abs(told.after.log_loss - told.before.log_loss) < 0.05
    low, high = told.gain_interval
    assert low < told.before.log_loss - told.after.log_loss < high


def test_no_dog_is_both_learned_from_and_tested_on(simulate) -> None:
    twice = simulate(60) * 2
    fold = folds_of(twice, 5)
    assert (fold[:60] == fold[60:]).all() and set(fold) == {0, 1, 2, 3, 4}


def test_learning_twice_from_the_same_findings_gives_the_same(simulate) -> None:
    at = datetime(2026, 3, 2, tzinfo=UTC)
    found = simulate(60)
    assert learn(found, at=at) == learn(found, at=at)


@pytest.mark.parametrize("found", [[], "few", "one category"])
def test_too_few_findings_are_said(found, simulate) -> None:
    if found == "few":
        found = simulate(39)
    elif found == "one category":
        found = [replace(case, category=CoatCategory.FUR) for case in simulate(80)]
    with pytest.raises(RecordError) as caught:
        learn(found)
    assert caught.value.code == "too_few" and "40 dogs" in caught.value.next_step


def test_findings_of_one_dog_again_and_again_are_still_one_dog(simulate) -> None:
    with pytest.raises(RecordError):
        learn([replace(case, dog="always the same") for case in simulate(100)])


# --- from the records -----------------------------------------------------------------------------------------------


def test_findings_of_the_records_become_examples(tmp_path: Path) -> None:
    seen = PhotoEvidence(
        "a.jpg", (math.log(1 / 7),) * 7, (math.log(1 / 7),) * 7, (math.log(1 / 4),) * 4, 1, 0.5, 1, "v1"
    )
    with open_records(f"sqlite:///{tmp_path / 'salon.sqlite'}") as records, records.write("Ada") as writer:
        for name, content, evidence in (
            ("both", {"feel": "silky"}, pack_photos([seen])),
            ("old photo", {"feel": "silky"}, pack_photos([replace(seen, model_version="v0")])),
            ("photo", None, json.loads(json.dumps(pack_photos([seen])))),
            ("nothing", None, {}),
            ("unreadable answers", {"fur colour": "red"}, {}),
            ("no answers given", {}, {"photos": ["odd"]}),
        ):
            dog = writer.add(Dog(name=name))
            if content is not None:
                writer.add(AnswerSheet(dog_id=dog.id, content=content))
            writer.add(StoredAssessment(dog_id=dog.id, result={}, evidence=evidence))
            writer.add(Finding(dog_id=dog.id, category="mixed", by="Ada", lengths_mm={BodyZone.TRUNK: 30}))
    with open_records(f"sqlite:///{tmp_path / 'salon.sqlite'}") as records:
        made = examples(learning_cases(records), model_version="v1")
        names = [records.get(Dog, case.dog).name for case in made]
    assert dict(zip(names, [case.regime for case in made], strict=True)) == {
        "both": "both",
        "old photo": "answers",
        "photo": "photo",
    }
    assert made[0].band == LengthBand.FROM_25_TO_75MM and made[0].photos in ((seen,), ())
    assert (seen,) in [case.photos for case in made]


# --- versions -------------------------------------------------------------------------------------------------------


@pytest.fixture
def learned(simulate) -> tuple:
    return learn(simulate(60, change=other_words))


def test_a_version_comes_back_equal_and_is_used_only_when_asked(tmp_path: Path, learned) -> None:
    model, told = learned
    shelf = Shelf(tmp_path / "learned")
    shelf.put(model, told)
    assert shelf.current() == RELEASED
    shelf.use(model.version)
    assert Shelf(tmp_path / "learned").current() == model and shelf.report(model.version) == told
    shelf.use("released")
    assert shelf.current() == RELEASED
    assert shelf.versions() == ("released", model.version)


def test_an_older_version_can_be_restored(tmp_path: Path, learned) -> None:
    first, told = learned
    second = replace(first, version="learned-29990101-000000")
    shelf = Shelf(tmp_path)
    for model in (first, second):
        shelf.put(model, told)
        shelf.use(model.version)
    shelf.use(first.version)
    assert shelf.current() == first and len(shelf.versions()) == 3


def test_a_version_is_never_overwritten(tmp_path: Path, learned) -> None:
    shelf = Shelf(tmp_path)
    shelf.put(*learned)
    with pytest.raises(RecordError) as caught:
        shelf.put(*learned)
    assert caught.value.code == "exists"


def test_a_new_release_puts_learned_versions_aside(tmp_path: Path, learned) -> None:
    model, told = learned
    shelf, newer = Shelf(tmp_path), replace(ensemble.load(), version="a later fit")
    shelf.put(model, told)
    shelf.use(model.version)
    assert shelf.current(members=newer) == RELEASED
    with pytest.raises(RecordError) as caught:
        shelf.use(model.version, members=newer)
    assert caught.value.code == "stale"


@pytest.mark.parametrize("version", ["learned-20200101-000000", "../../etc/passwd", "learned-../x", ""])
def test_a_version_that_is_not_there_is_said(tmp_path: Path, version: str) -> None:
    with pytest.raises(RecordError) as caught:
        Shelf(tmp_path).use(version)
    assert caught.value.code == "not_found"


@pytest.mark.parametrize("content", ["", "{}", "[1]", '{"model": {"tables": 3}}', "null"])
def test_a_damaged_version_is_said(tmp_path: Path, content: str) -> None:
    (tmp_path / "learned-1.json").write_text(content)
    (tmp_path / "current.json").write_text(content)
    for ask in (
        lambda: Shelf(tmp_path).get("learned-1"),
        Shelf(tmp_path).current,
        lambda: Shelf(tmp_path).report("learned-1"),
    ):
        with pytest.raises(RecordError) as caught:
            ask()
        assert caught.value.code == "damaged"


def test_learning_needs_neither_torch_nor_scikit_learn() -> None:
    import subprocess
    import sys

    program = (
        "import sys, coatclass.learning; print([m for m in ('torch', 'sklearn', 'sqlalchemy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
