"""A whole run of the image model's training, in small: invented pictures, two categories of plain texture."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

pytestmark = [pytest.mark.train, pytest.mark.slow]
torch = pytest.importorskip("torch")

COLUMNS = [
    "photo_id",
    "file",
    "set",
    "breed",
    "split",
    "group",
    "category",
    "category_status",
    "band",
    "band_status",
    "usable",
    "category_1",
    "band_1",
    "usable_1",
    "confidence_1",
    "category_2",
    "band_2",
    "usable_2",
    "confidence_2",
]
COATS = ("hair", "fur", "mixed", "wire", "curly", "drop", "arctic")


@pytest.fixture(scope="module")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """42 invented pictures of coloured rectangles, a third of them with a trimap."""
    folder = tmp_path_factory.mktemp("photos")
    for name in ("oxford", "open", "trimaps"):
        (folder / name).mkdir()
    random = np.random.default_rng(0)
    rows = []
    for number in range(42):
        coat = number % len(COATS)
        part = "oxford" if number % 3 == 0 else "open"
        pixels = random.integers(0, 80, (90, 120, 3), dtype=np.uint8)
        pixels[20:70, 30:90] += np.uint8(20 * coat)
        Image.fromarray(pixels).save(folder / part / f"p{number}.jpg")
        if part == "oxford":
            trimap = np.full((90, 120), 2, np.uint8)
            trimap[20:70, 30:90] = 1
            Image.fromarray(trimap).save(folder / "trimaps" / f"p{number}.png")
        split = "train" if number < 28 else "val" if number < 35 else "test"
        one = [COATS[coat], "ABCDU"[number % 5], "y", "3"]
        row = [f"p{number}", f"{part}/p{number}.jpg", part, f"breed_{number % 21}", split, f"g{number}"]
        rows.append([*row, COATS[coat], "agreed", "ABCDU"[number % 5], "agreed", "y", *one, *one])
    with (folder / "manifest.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([COLUMNS, *rows])
    return folder


@pytest.fixture(scope="module")
def released(invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    from training.__main__ import main

    folder = tmp_path_factory.mktemp("run")
    config = folder / "small.toml"
    config.write_text(
        'name = "small"\nsize = 64\nfolds = 2\n[heads]\nflip = false\n'
        "[finetune]\nepochs = 1\nbatch = 8\ninterpolation = [0.5]\n"
    )
    places = ["--photos", str(invented), "--out", str(folder / "out"), "--work", str(folder / "work")]
    assert main(["image", "--config", str(config), *places, "--workers", "0"]) == 0
    return folder / "out"


def test_a_run_releases_a_model_that_the_program_loads(released: Path, invented: Path) -> None:
    from coatclass import photo, vision

    look = vision.load_model(released).look(photo.load(invented / "oxford" / "p0.jpg").image, file="p0.jpg")
    assert np.exp(look.evidence.texture).sum() == pytest.approx(1, abs=1e-4)


def test_the_released_network_reads_as_the_trained_one(released: Path, invented: Path) -> None:
    """Parity of torch and ONNX on the same picture; weights are stored in half precision in both."""
    from safetensors.torch import load_file

    from coatclass import photo, vision
    from coatclass.vision._model import OUTPUTS
    from training.image._backbone import load_backbone
    from training.image._network import CoatNetwork

    network = CoatNetwork(load_backbone("lite0"))
    network.take(load_file(released.parent / "work" / "small" / "released.safetensors"))
    model = vision.load_model(released)
    tensor = vision.to_tensor(photo.load(invented / "oxford" / "p3.jpg").image, model.manifest.preprocessing)
    with torch.inference_mode():
        expected = network.float().eval()(torch.from_numpy(tensor))
    for name, value in zip(OUTPUTS, expected, strict=True):
        assert np.allclose(model.outputs(tensor)[name], value.numpy(), atol=2e-2, rtol=2e-2), name


def test_evidence_holds_every_photo_and_keeps_test_photos_out_of_the_folds(released: Path) -> None:
    with np.load(released / "evidence.npz") as evidence:
        assert len(evidence["photo_id"]) == len(set(evidence["photo_id"])) == 42
        assert ((evidence["fold"] == -1) == (evidence["split"] == "test")).all()
        assert evidence["texture"].shape == (42, 7) and np.isfinite(evidence["texture"]).all()


def test_no_breed_is_on_both_sides_of_an_unseen_breeds_fold(released: Path) -> None:
    with np.load(released / "evidence_unseen_breeds.npz") as evidence:
        known = evidence["fold"] >= 0
        pairs = set(zip(evidence["breed"][known], evidence["fold"][known], strict=True))
    assert len(pairs) == len({breed for breed, _ in pairs})


def test_the_manifest_states_what_shaped_the_numbers(released: Path) -> None:
    manifest = json.loads((released / "manifest.json").read_text())
    assert manifest["training"]["config"]["seeds"] == [0]
    assert {"torch", "timm", "python", "device"} <= manifest["training"]["environment"].keys()
    assert 0 <= manifest["metrics"]["val"]["texture_accuracy"] <= 1


def test_each_compared_share_leaves_a_row(released: Path) -> None:
    with (released / "ablations.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["finetuned_share"] for row in rows] == ["0.0", "0.5"]
    assert all(float(row["val_texture_log_loss"]) > 0 for row in rows)
