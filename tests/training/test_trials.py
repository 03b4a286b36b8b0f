"""The trials with frozen features, in small: invented pictures under breeds' names, figures against scikit-learn."""

from __future__ import annotations

import csv
import shutil
from functools import partial
from pathlib import Path
from time import process_time
from timeit import repeat

import numpy as np
import pytest
from PIL import Image

from tests.later import Later

pytestmark = [pytest.mark.train, pytest.mark.slow]
Later("torch")

COATS = ("hair", "fur", "mixed", "wire", "curly", "drop", "arctic")
BREEDS = (
    "italian_greyhound", "beagle", "bernese_mountain_dog", "airedale_terrier", "poodle", "maltese", "samoyed",
    "whippet", "pug", "havanese", "border_terrier", "puli", "shih_tzu", "keeshond",
    "boxer", "bloodhound", "golden_retriever", "affenpinscher", "barbet", "afghan_hound", "alaskan_malamute",
)  # fmt: skip
PHOTOS, SHOWN, FOLDS = 56, 42, 3
DOG = (slice(20, 230), slice(40, 280))


@pytest.fixture(scope="module")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """56 invented pictures of coloured rectangles, 14 of them of the test split; half of the rest with a trimap."""
    folder = tmp_path_factory.mktemp("photos")
    for name in ("oxford", "open", "trimaps"):
        (folder / name).mkdir()
    random, rows = np.random.default_rng(0), []
    for number in range(PHOTOS):
        coat, part = number % len(COATS), "oxford" if number % 2 else "open"
        pixels = random.integers(0, 80, (240, 320, 3), dtype=np.uint8)
        pixels[DOG] += np.uint8(20 * coat)
        Image.fromarray(pixels).save(folder / part / f"p{number}.jpg")
        trimap = np.full((240, 320), 2, np.uint8)
        trimap[DOG] = 1
        Image.fromarray(trimap).save(folder / "trimaps" / f"p{number}.png")
        row = {"photo_id": f"p{number}", "file": f"{part}/p{number}.jpg", "set": part, "group": f"g{number}"}
        row["split"] = "train" if number < 28 else "val" if number < SHOWN else "test"
        row |= {"breed": BREEDS[number % len(BREEDS)], "category_status": "agreed", "band_status": "agreed"}
        said = {"category": COATS[coat], "band": "ABCDU"[number % 5], "usable": "m" if number % 9 == 0 else "y"}
        row |= said | {f"{name}_{k}": value for name, value in (said | {"confidence": "3"}).items() for k in "12"}
        rows.append(row)
    (folder / "open" / "p48.jpg").unlink()  # of the test split: whoever opens it fails
    with (folder / "manifest.csv").open("w", newline="") as stream:
        table = csv.DictWriter(stream, rows[0])
        table.writeheader()
        table.writerows(rows)
    return folder


@pytest.fixture(scope="module")
def written(invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the command writes, of three folds; a look's cost is processor time, of which no other test takes any."""
    from training.__main__ import main
    from training.experiments import probes

    folder = tmp_path_factory.mktemp("trials")
    configs = shutil.copytree(probes._CONFIGS, folder / "configs")
    frozen = (configs / "frozen.toml").read_text(encoding="utf-8")
    (configs / "frozen.toml").write_text(f"folds = {FOLDS}\n{frozen}", encoding="utf-8")
    places = ["--photos", str(invented), "--out", str(folder), "--work", str(folder / "work")]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(probes, "_TIMED", 3)
        patch.setattr(probes, "repeat", partial(repeat, timer=process_time))
        patch.setattr(probes, "_CONFIGS", configs)
        assert main(["trials", *places]) == 0
    return folder


@pytest.fixture(scope="module")
def rows(written: Path) -> list[dict[str, str]]:
    with (written / "trials.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


def _figure(rows: list[dict[str, str]], name: str, trial: str, route: str, regime: str) -> float:
    found = [row[name] for row in rows if (row["trial"], row["route"], row["regime"]) == (trial, route, regime)]
    assert len(found) == 1
    return float(found[0])


@pytest.mark.parametrize(("regime", "keys"), [("unseen dogs", "group"), ("unseen breeds", "breed")])
def test_a_rows_log_loss_is_that_of_scikit_learns_own_model(
    rows: list[dict[str, str]], written: Path, invented: Path, regime: str, keys: str
) -> None:
    """Folds, model and figure from scikit-learn alone; C = 1 / (n L2)."""
    from sklearn.linear_model import LogisticRegression
    from sklearn.metrics import log_loss
    from sklearn.model_selection import StratifiedGroupKFold
    from sklearn.preprocessing import StandardScaler

    from training.experiments import probes
    from training.image.config import read_config

    config = read_config(written / "configs" / "frozen.toml")
    assert config.folds == FOLDS
    labels = probes.pool(invented)
    with np.load(written / "work" / "plain.npz") as stored:
        inputs = stored["pooled"].astype(float)
    folds = StratifiedGroupKFold(config.folds, shuffle=True, random_state=config.seeds[0])
    groups = labels.group if keys == "group" else labels.breed.astype(str)
    said = np.zeros((len(labels), len(COATS)))
    for learn, held_out in folds.split(inputs, labels.category_hard, groups):
        say, varies = labels.weight[learn], inputs[learn].std(0) > 1e-4  # what never varies is given no weight
        scaler = StandardScaler().fit(inputs[learn][:, varies])
        scaler.scale_ *= np.sqrt(len(learn) / (len(learn) - 1))  # the spread of a sample
        model = LogisticRegression(C=1 / (len(learn) * config.heads.texture_l2), max_iter=5000, tol=1e-8)
        model.fit(
            scaler.transform(inputs[learn][:, varies]), labels.category_hard[learn], sample_weight=say / say.mean()
        )
        said[np.ix_(held_out, model.classes_)] = model.predict_proba(scaler.transform(inputs[held_out][:, varies]))
    expected = log_loss(labels.category_hard, said, labels=range(len(COATS)))
    assert _figure(rows, "log_loss", "plain", "texture", regime) == pytest.approx(expected, abs=2e-3)


def test_every_trial_has_rows_for_unseen_dogs_and_breeds_with_what_they_cost(rows: list[dict[str, str]]) -> None:
    trials = {row["trial"] for row in rows if row["regime"] == "unseen breeds"}
    assert {"plain", "mirrored second look", "256 and 352 px", "Lite0 and Lite2", "patches added"} <= trials
    assert {"breed-name head", "hard labels", "outline's attributes added"} <= trials
    for row in rows:
        if row["regime"] in ("unseen dogs", "unseen breeds"):
            assert float(row["relative_seconds"]) > 0
            assert int(row["photos"]) <= SHOWN
        if row["difference"]:
            assert float(row["difference_low"]) <= float(row["difference"]) <= float(row["difference_high"])


def test_costs_are_told_against_the_plain_look(rows: list[dict[str, str]]) -> None:
    cost = {row["trial"]: float(row["relative_seconds"]) for row in rows if row["relative_seconds"]}
    assert cost["plain"] == 1
    assert all(seconds >= 1 for trial, seconds in cost.items() if "and" in trial or "second look" in trial)


def test_the_verdict_follows_the_interval(rows: list[dict[str, str]]) -> None:
    compared = [row for row in rows if row["difference"]]
    assert compared and all(row["against"] for row in compared)
    for row in compared:
        low, high = float(row["difference_low"]), float(row["difference_high"])
        assert (row["verdict"] == "helps") <= (low <= high <= 0) and (row["verdict"] == "harms") <= (0 <= low <= high)
        assert (row["verdict"] == "no clear difference") <= (low <= 0 <= high)


def test_no_trial_is_measured_twice(rows: list[dict[str, str]]) -> None:
    names = [(row["trial"], row["route"], row["regime"]) for row in rows]
    assert len(set(names)) == len(names)


def test_simulated_close_ups_are_called_simulated(rows: list[dict[str, str]]) -> None:
    of_parts = [row for row in rows if "close-up" in row["route"] or "third" in row["route"]]
    assert of_parts and all("simulated" in row["note"] for row in of_parts)


def test_a_close_up_shows_nothing_but_the_dog() -> None:
    from training.experiments import probes

    pixels = np.zeros((200, 300, 3), np.uint8)
    mask = np.zeros((200, 300), np.uint8)
    mask[40:160, 50:250] = 255
    pixels[mask == 255] = 200
    (near,) = probes.closeup(pixels, mask)
    assert min(near.size) >= 118 and (np.asarray(near) == 200).all()
    assert probes.closeup(pixels, (mask > 0) * np.uint8(127)) == []  # all border: no inside


def test_the_interval_is_of_groups_not_of_photos() -> None:
    """Ten copies of each of 40 dogs say no more than one: by theory the mean's spread is s / sqrt(40)."""
    from training.experiments.probes import interval

    values = np.random.default_rng(3).normal(size=40)
    mean, low, high = interval(np.repeat(values, 10), np.repeat(np.arange(40), 10))
    assert mean == pytest.approx(values.mean())
    assert (high - low) / 2 == pytest.approx(1.96 * values.std() / np.sqrt(40), rel=0.1)
