"""A whole run of the image model's training, in small: invented pictures of rectangles, a shade for each category."""

from __future__ import annotations

import copy
import csv
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.later import Later

pytestmark = [pytest.mark.train, pytest.mark.slow]
torch = Later("torch")

WHAT_SHAPES_NUMBERS = (
    "torch",
    "timm",
    "numpy",
    "pillow",
    "scikit-learn",
    "albumentations",
    "onnx",
    "onnxruntime",
)
CONFIG = """
name = "small"
size = 64
second_look = { unless = 0.5, margin = -100.0 }
folds = 2
[heads]
flip = false
[finetune]
epochs = 1
batch = 12
interpolation = [0.5]
"""


def arguments(photos: Path, folder: Path, config: str = CONFIG) -> list[str]:
    """The command line of a run that leaves everything in ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "small.toml").write_text(config)
    places = ["--photos", str(photos), "--out", str(folder / "out"), "--work", str(folder / "work")]
    return ["image", "--config", str(folder / "small.toml"), *places, "--workers", "0"]


@pytest.fixture(scope="module")
def released(invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    from training.__main__ import main

    threads = torch.get_num_threads()
    torch.set_num_threads(1)  # sums depend on how many threads share them
    folder = tmp_path_factory.mktemp("run")
    assert main(arguments(invented, folder)) == 0
    yield folder / "out"
    torch.set_num_threads(threads)


@pytest.fixture(scope="module")
def network(released: Path) -> Any:
    """The trained network, with its weights in half precision as in the released file."""
    from safetensors.torch import load_file

    from training.image.network import CoatNetwork, load_backbone

    network = CoatNetwork(load_backbone("lite0"))
    network.take(load_file(released.parent / "work" / "small" / "released.safetensors"))
    return network.float().eval()


def test_a_run_releases_a_model_that_the_program_loads(released: Path, invented: Path) -> None:
    from coatclass import photo, vision

    look = vision.load_model(released).look(photo.load(invented / "oxford" / "p0.jpg").image, file="p0.jpg")
    assert np.exp(look.evidence.texture).sum() == pytest.approx(1, abs=1e-4)


def test_the_released_network_reads_as_the_trained_one(released: Path, network: Any, invented: Path) -> None:
    """Parity of torch and ONNX on the same picture; weights are stored in half precision in both."""
    from coatclass import photo, vision
    from coatclass.vision.network import OUTPUTS

    model = vision.load_model(released)
    tensor = vision.to_tensor(photo.load(invented / "oxford" / "p3.jpg").image, model.manifest.preprocessing)
    with torch.inference_mode():
        expected = network(torch.from_numpy(tensor))
    for name, value in zip(OUTPUTS, expected, strict=True):
        assert np.allclose(model.outputs(tensor)[name], value.numpy(), atol=2e-2, rtol=2e-2), name


def test_two_looks_read_the_same_in_training_and_at_run_time(released: Path, network: Any, invented: Path) -> None:
    """Torch and ONNX on the whole picture and on what the dog fills of it; every rule for the second look."""
    from coatclass import photo, vision
    from training.image.heads import pooled, pooled_near, read_features, read_twice
    from training.image.pictures import Gallery, prepare

    released_model = vision.load_model(released)
    images = [photo.load(path).image for path in sorted((invented / "oxford").glob("p?.jpg"))]
    gallery = Gallery([np.asarray(image) for image in images], [None] * len(images))
    rule, every = released_model.manifest.preprocessing, np.arange(len(images))
    prepared = prepare(gallery.pictures, rule)
    first = read_features(network, pooled(network, prepared)[0])
    near = read_features(network, pooled_near(network, gallery, prepared, rule, every))
    certainty = np.sort(np.exp(vision.pooled_looks("texture", first.texture, first.kinship)).max(axis=1))
    widest = int(np.diff(certainty).argmax())  # between two photos whose order no rounding can turn
    sure = float(certainty[widest : widest + 2].mean())
    seen = set()
    for unless in (0.01, sure, 2.0):
        model = copy.copy(released_model)
        second = vision.SecondLook(unless=unless, margin=-100)
        model.manifest = model.manifest.model_copy(update={"second_look": second})
        said, looks = read_twice(first, near, second), [model.look(image, file="").evidence for image in images]
        for name in vision.POOLED:
            ours, theirs = getattr(said, name), np.array([getattr(look, name) for look in looks])
            assert np.allclose(ours.clip(-30), theirs, atol=5e-2, rtol=5e-2), name
        seen.add(int((said.texture != first.texture).any(axis=1).sum()))
    assert len(seen) == 3 and {0, len(images)} < seen


def test_the_evidence_tells_both_looks_apart_and_holds_what_they_say_together(released: Path) -> None:
    for name in ("evidence.npz", "evidence_unseen_breeds.npz", "evidence_unseen_sources.npz"):
        with np.load(released / name) as evidence:
            first, near = (np.exp(evidence[f"{look}_texture"]) for look in ("first", "near"))
            assert np.isfinite(first).all() and np.isfinite(near).all()
            both = np.sqrt(first * near)
            both /= both.sum(axis=1, keepdims=True)
            once = np.isclose(np.exp(evidence["texture"]), first, atol=1e-5).all(axis=1)
            twice = np.isclose(np.exp(evidence["texture"]), both, atol=1e-5).all(axis=1)
            assert (once | twice).all() and twice.any()


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
    environment = manifest["training"]["environment"]
    assert {"python", "device", *WHAT_SHAPES_NUMBERS} == environment.keys() - {"gpus", "processes"}
    assert all(environment[name] == version(name) for name in WHAT_SHAPES_NUMBERS)
    assert (environment["gpus"], environment["processes"]) == (torch.cuda.device_count(), 1)
    assert 0 <= manifest["metrics"]["val"]["texture_accuracy"] <= 1


def test_each_compared_share_leaves_a_row(released: Path) -> None:
    with (released / "ablations.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["finetuned_share"] for row in rows] == ["0.0", "0.5"]
    assert all(float(row["val_texture_log_loss"]) > 0 for row in rows)


def test_the_distance_that_another_background_makes_is_a_share(released: Path) -> None:
    background = json.loads((released / "manifest.json").read_text())["metrics"]["background"]
    assert background.keys() == {"distance", "changed"}
    assert all(0 <= value <= 1 for value in background.values())


def test_where_all_is_dog_another_background_changes_nothing(released: Path, network: Any, invented: Path) -> None:
    from coatclass import vision
    from training.image.labels import read_labels
    from training.image.pictures import Gallery, open_gallery
    from training.image.release import background_shift

    labels, rule = read_labels(invented), vision.load_model(released).manifest.preprocessing
    gallery = open_gallery(invented, labels)
    everywhere = [None if mask is None else np.full_like(mask, 255) for mask in gallery.masks]
    shift = background_shift(network, Gallery(gallery.pictures, everywhere), labels, rule)
    assert shift == {"distance": 0, "changed": 0}
    nowhere = [None if mask is None else np.zeros_like(mask) for mask in gallery.masks]
    shift = background_shift(network, Gallery(gallery.pictures, nowhere), labels, rule)
    assert 0 < shift["distance"] <= 1 and 0 < shift["changed"] <= 1


def test_photos_that_show_two_are_told_from_those_that_show_one(released: Path, invented: Path) -> None:
    """By networks that saw neither: area under the curve over train and val."""
    from sklearn.metrics import roc_auc_score

    from training.image.labels import read_labels

    single = read_labels(invented).single
    with np.load(released / "evidence.npz") as evidence:
        known, said = evidence["fold"] >= 0, evidence["single_dog_probability"]
    assert ((said >= 0) & (said <= 1)).all()
    assert roc_auc_score(single[known] > 0.5, said[known]) > 0.8


def test_a_run_that_was_broken_off_goes_on_to_the_same_release(released: Path, invented: Path, tmp_path: Path) -> None:
    """What the first two thirds of a run left is kept, the rest is made again."""
    from training.__main__ import main

    shutil.copytree(released.parent / "work", tmp_path / "work")
    found = [*(tmp_path / "work").glob("start-*"), *(tmp_path / "work" / "small").glob("*_*.*")]
    files = sorted(found, key=lambda file: file.stat().st_mtime_ns)
    kept, lost = files[: len(files) * 2 // 3], files[len(files) * 2 // 3 :]
    assert {"start", "end"} <= {re.split("[-_]", file.name)[0] for file in lost}
    written = [file.stat().st_mtime_ns for file in kept]
    for file in lost:
        file.unlink()
    assert main(arguments(invented, tmp_path)) == 0
    assert [file.stat().st_mtime_ns for file in kept] == written
    assert_same_release(tmp_path, released.parent)


MOVING = CONFIG.replace("small", "moving").replace("batch = 12", "batch = 6\nema = 0.5\nbfloat16 = false")


@pytest.fixture(scope="module")
def alone(released: Path, invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What one process leaves of trainings that move far enough to be compared."""
    from training.__main__ import main

    folder = tmp_path_factory.mktemp("alone")
    shutil.copytree(work_of(released), folder / "work")
    assert main([*arguments(invented, folder, MOVING), "--compare"]) == 0
    return folder


@pytest.fixture(scope="module")
def two_processes(released: Path, alone: Path, invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What two processes leave: a whole run in ``shared``; one training anew, each batch shared, in ``batches``; and
    ``more.safetensors``, trained on shards.
    """
    from training.image.shards import write_shards

    folder = tmp_path_factory.mktemp("two")
    shutil.copytree(alone / "work", folder / "batches" / "work")
    for lost in ("end_val_0.safetensors", "log_val_0.json", "readings_val.npz"):
        (folder / "batches" / "work" / "moving" / lost).unlink()
    write_shards(invented, folder / "photos", per_shard=11)
    whole = arguments(invented, folder / "shared")
    batches = [*arguments(invented, folder / "batches", MOVING), "--compare", "--share-batches"]
    subprocess.run(
        [sys.executable, Path(__file__).with_name("two_processes.py")],
        cwd=Path(__file__).resolve().parents[2],
        input=json.dumps([whole, batches, from_shards(released, folder)]),
        env={**os.environ, "OMP_NUM_THREADS": "1", "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
        text=True,
        check=True,
    )
    return folder


def test_two_processes_and_the_same_seed_again_give_the_same_release(released: Path, two_processes: Path) -> None:
    """Every training is drawn anew, from the same seed, in one of two processes."""
    assert_same_release(two_processes / "shared", released.parent)
    manifest = json.loads((two_processes / "shared" / "out" / "manifest.json").read_text())
    assert manifest["training"]["environment"]["processes"] == 2


def test_two_processes_that_share_batches_train_the_network_that_one_trains(alone: Path, two_processes: Path) -> None:
    """Weights move alike to a ten-thousandth of the way (euclidean, over all weights; 8e-6 was measured, 0.5 where the
    processes don't average), losses are the same to 1e-3.

    Not to the last bit: sums over a batch are taken in another order, and Adam divides gradients near 0 by themselves.
    """
    from safetensors.torch import load_file

    one, two = alone / "work" / "moving", two_processes / "batches" / "work" / "moving"
    start = load_file(next(two.parent.glob("start-*-val.safetensors")))
    ends = [load_file(folder / "end_val_0.safetensors") for folder in (one, two)]
    moved = [torch.cat([(end[name] - start[name]).flatten() for name in weights_of(end)]) for end in ends]
    assert float(moved[0].norm()) > 1e-3
    assert float((moved[1] - moved[0]).norm() / moved[0].norm()) < 1e-4
    losses = [json.loads((folder / "log_val_0.json").read_text()) for folder in (one, two)]
    for ours, theirs in zip(*losses, strict=True):
        assert ours | {"seconds": 0} == pytest.approx(theirs | {"seconds": 0}, rel=1e-3)


def from_shards(released: Path, folder: Path) -> list[str]:
    """The command line of a training of two epochs on ``folder/photos``; leaves ``folder/more.safetensors``."""
    folder.mkdir(exist_ok=True)
    config = CONFIG.replace("epochs = 1", "epochs = 2")
    (folder / "shards.toml").write_text(config)
    start = Path(work_of(released)) / "small" / "released.safetensors"
    places = ["--shards", folder / "photos", "--start", start, "--out", folder / "more.safetensors"]
    return ["shards", "train", "--config", str(folder / "shards.toml"), *map(str, places), "--workers", "0"]


def test_a_training_on_shards_that_was_broken_off_ends_as_one_that_was_not(
    released: Path, two_processes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Broken off in its second epoch; the state after the first was kept. Two processes end with a network, too."""
    from safetensors.torch import load_file

    from training.__main__ import main
    from training.image.shards import ShardBatches

    shutil.copytree(two_processes / "photos", tmp_path / "photos")
    assert main(from_shards(released, tmp_path)) == 0
    whole = load_file(tmp_path / "more.safetensors")
    log = json.loads((tmp_path / "more.json").read_text())["log"]
    once = ShardBatches.__iter__

    def broken_off(batches: Any) -> Iterator[Any]:
        if batches.stream.epoch:
            raise KeyboardInterrupt
        yield from once(batches)

    monkeypatch.setattr(ShardBatches, "__iter__", broken_off)
    with pytest.raises(KeyboardInterrupt):
        main(from_shards(released, tmp_path))
    monkeypatch.undo()
    assert len(list(tmp_path.glob("*.checkpoint"))) == 1
    assert main(from_shards(released, tmp_path)) == 0
    assert not list(tmp_path.glob("*.checkpoint"))
    again = load_file(tmp_path / "more.safetensors")
    assert all(torch.equal(again[name], value) for name, value in whole.items())
    logged = json.loads((tmp_path / "more.json").read_text())["log"]
    assert [entry | {"seconds": 0} for entry in logged] == [entry | {"seconds": 0} for entry in log]
    start = load_file(Path(work_of(released)) / "small" / "released.safetensors")
    names = [name for name in weights_of(whole) if name not in ("single.weight", "single.bias")]
    assert any(not torch.equal(whole[name], start[name].float()) for name in names)
    two = load_file(two_processes / "more.safetensors")
    assert all(bool(torch.isfinite(value).all()) for value in two.values())
    assert len(json.loads((two_processes / "more.json").read_text())["log"]) == len(log) == 2


def weights_of(state: dict[str, Any]) -> list[str]:
    buffers = ("table", "rivals", "usual", "directions", "remembered")
    return [name for name, value in state.items() if value.is_floating_point() and name not in buffers]


def assert_same_release(one: Path, other: Path) -> None:
    for name in ("evidence.npz", "evidence_unseen_breeds.npz", "evidence_unseen_sources.npz"):
        with np.load(one / "out" / name) as ours, np.load(other / "out" / name) as theirs:
            for column in theirs:
                assert np.array_equal(ours[column], theirs[column]), (name, column)
    assert (one / "out" / "coat.onnx").read_bytes() == (other / "out" / "coat.onnx").read_bytes()


def test_means_of_weights_and_views_are_read_out_of_fold(released: Path, invented: Path, tmp_path: Path) -> None:
    """Two trainings that move, each photo read by the mean of those that never saw it."""
    from training.__main__ import main

    config = CONFIG.replace("small", "two").replace("size", "seeds = [0, 1]\nsize")
    (tmp_path / "two.toml").write_text(config.replace("epochs = 1\nbatch = 12", "epochs = 2\nbatch = 6\nema = 0.5"))
    places = ["--photos", str(invented), "--out", str(tmp_path / "read"), "--work", str(tmp_path / "work")]
    assert main(["soups", "--config", str(tmp_path / "two.toml"), *places, "--workers", "0"]) == 0
    with np.load(tmp_path / "read" / "two-1@0.5.npz") as one, np.load(tmp_path / "read" / "two@0.5.npz") as both:
        for by, file in (("group", "evidence.npz"), ("breed", "evidence_unseen_breeds.npz")):
            with np.load(released / file) as evidence:
                assert np.array_equal(one[f"fold:{by}"], evidence["fold"][evidence["fold"] >= 0])
            assert not np.allclose(both[f"{by}:plain:texture"], one[f"{by}:plain:texture"], atol=1e-3)
        views = {name.split(":")[1] for name in both.files if name.startswith("breed")}
        assert views == {"plain", "mirrored", "larger", "dog"}
        assert all(np.isfinite(both[name]).all() for name in both.files)


def test_an_edited_configuration_does_not_go_on_from_the_old_results(
    released: Path, invented: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = [*arguments(invented, tmp_path, CONFIG.replace("epochs = 1", "epochs = 2")), "--work", work_of(released)]
    assert refusal(run, capsys) == f"{work_of(released)}/small: holds results made from another configuration. {NEXT}"


def test_other_photos_do_not_go_on_from_the_old_results(
    released: Path, invented: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One label changed; of all configurations the frozen features are refused, too."""
    manifest = (invented / "manifest.csv").read_text()
    (tmp_path / "manifest.csv").write_text(manifest.replace(",train,g0,hair,", ",train,g0,curly,"))
    for config in (CONFIG, CONFIG.replace('"small"', '"other"')):
        run = [*arguments(tmp_path, tmp_path, config), "--work", work_of(released)]
        assert (
            refusal(run, capsys) == f"{work_of(released)}: holds results made from another manifest of photos. {NEXT}"
        )


def test_another_breed_table_does_not_go_on_from_the_old_results(
    released: Path, invented: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from training.image.config import ORIGIN_FILE

    shutil.copytree(work_of(released), tmp_path / "work")
    stated = json.loads((tmp_path / "work" / ORIGIN_FILE).read_text())
    (tmp_path / "work" / ORIGIN_FILE).write_text(json.dumps({**stated, "breed table": "of another day"}))
    refused = refusal(arguments(invented, tmp_path), capsys)
    assert refused == f"{tmp_path / 'work'}: holds results made from another breed table. {NEXT}"


def test_results_of_unknown_origin_are_not_gone_on_from(
    released: Path, invented: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from training.image.config import ORIGIN_FILE

    shutil.copytree(work_of(released), tmp_path / "work")
    (tmp_path / "work" / ORIGIN_FILE).unlink()
    refused = refusal(arguments(invented, tmp_path), capsys)
    assert refused == f"{tmp_path / 'work'}: holds results made from nobody knows what. {NEXT}"


def test_two_configurations_of_one_name_are_refused(
    invented: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """They would share a folder, and the second would find the first one's results."""
    run = arguments(invented, tmp_path)
    other = tmp_path / "derived.toml"
    other.write_text('base = "small.toml"\nsize = 96\n')
    run.insert(run.index("--config") + 1, str(other))
    assert "two configurations of the same name" in refusal(run, capsys)


NEXT = "Name another folder with --work, or delete this one to begin anew."


def work_of(released: Path) -> str:
    return str(released.parent / "work")


def refusal(command: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """What a run says that ends as bad input does."""
    from training.__main__ import main

    assert main(command) == 3
    return capsys.readouterr().err.strip()


def test_what_another_command_keeps_beside_the_runs_is_no_obstacle(invented: Path, tmp_path: Path) -> None:
    from training.image.config import Config, origins

    (tmp_path / "trials").mkdir()
    np.savez(tmp_path / "trials" / "plain.npz", a=np.zeros(1))
    for origin in origins([Config(name="small")], invented, tmp_path):
        origin.check()


def test_results_of_a_configuration_need_the_statement_of_the_whole_folder_too(invented: Path, tmp_path: Path) -> None:
    from coatclass.errors import InputError
    from training.image.config import Config, origins

    found = origins([Config(name="small")], invented, tmp_path)
    np.savez(tmp_path / "small" / "readings_val.npz", a=np.zeros(1))
    with pytest.raises(InputError, match="nobody knows what"):
        found[0].check()
