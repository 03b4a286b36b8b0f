"""Photos in shards: written from a table, read as streams by several processes, damaged, and gone on with."""

from __future__ import annotations

import io
import json
import shutil
import tarfile
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from tests.later import Later

pytestmark = pytest.mark.train
torch = Later("torch")

PHOTOS, BATCH = 42, 6


@pytest.fixture(scope="module")
def photos(invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented photos, all of them of full weight, and one that is none."""
    folder = tmp_path_factory.mktemp("table") / "photos"
    shutil.copytree(invented, folder)
    (folder / "open" / "none.jpg").write_bytes(b"\xff\xd8\xff not a picture")
    table = (folder / "manifest.csv").read_text().replace(",m,", ",y,")
    last = table.splitlines()[-1].replace("p41,open/p41.jpg", "none,open/none.jpg")
    (folder / "manifest.csv").write_text(f"{table}{last}\n")
    return folder


@pytest.fixture(scope="module")
def shards(photos: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    from training.image.shards import write_shards

    folder = tmp_path_factory.mktemp("shards")
    assert write_shards(photos, folder, per_shard=8) == (PHOTOS, 1)
    return folder


def batches_of(folder: Path, **options: Any) -> Any:
    from training.image.config import Config, Finetune
    from training.image.shards import ShardBatches, read_index

    settings = Finetune(batch=BATCH, class_power=0.0)
    return ShardBatches(read_index(folder), Config(name="any", size=64).preprocessing, settings, **options)


def same(one: list[Any], other: list[Any]) -> bool:
    pairs = [pair for parts in zip(one, other, strict=True) for pair in zip(*parts, strict=True)]
    return all(torch.equal(ours, theirs) for ours, theirs in pairs)


def test_every_photo_lies_in_a_shard_with_its_labels(shards: Path, photos: Path) -> None:
    """As WebDataset lays photos out (its documentation): files of one photo follow each other and share the name's
    beginning up to the first point.
    """
    from training.image.labels import read_labels

    labels = read_labels(photos)
    place_of = {name: place for place, name in enumerate(labels.photo_id.tolist())}
    found = []
    for shard in sorted(shards.glob("*.tar")):
        with tarfile.open(shard) as tar:
            keys = [entry.name.split(".")[0] for entry in tar]
            assert len(list(dict.fromkeys(keys))) == sum(
                one != other for one, other in zip(keys, [None, *keys], strict=False)
            )
            for entry in tar:
                if not entry.name.endswith(".json"):
                    continue
                target = json.load(tar.extractfile(entry))
                place = place_of[target["photo_id"]]
                assert np.allclose(target["category"], labels.category[place])
                assert np.allclose(target["band"], labels.band[place])
                assert (target["breed"], target["coat"]) == (
                    labels.breeds[labels.breed[place]],
                    labels.category_hard[place],
                )
                stored = Image.open(io.BytesIO(tar.extractfile(entry.name.replace("json", "jpg")).read()))
                original = Image.open(photos / labels.file[place])
                assert stored.size == original.size
                assert np.abs(np.asarray(stored, int) - np.asarray(original, int)).mean() < 4
                found.append(target["photo_id"])
    assert sorted([*found, "none"]) == sorted(place_of)
    named = [name for file in shards.glob("*.json") for name in json.loads(file.read_text())["broken"]]
    assert named == ["none"]


def test_writing_goes_on_behind_the_shards_that_are_whole(shards: Path, photos: Path, tmp_path: Path) -> None:
    from coatclass.errors import InputError
    from training.image.shards import write_shards

    folder = tmp_path / "again"
    shutil.copytree(shards, folder)
    for lost in ("shard-000004.json", "shard-000005.json", "shard-000005.tar"):
        (folder / lost).unlink()
    kept = (folder / "shard-000003.tar").stat().st_mtime_ns
    assert write_shards(photos, folder, per_shard=8) == (PHOTOS, 1)
    assert (folder / "shard-000003.tar").stat().st_mtime_ns == kept
    with pytest.raises(InputError, match="was written from another table"):
        write_shards(photos, folder, per_shard=7)
    for file in shards.iterdir():
        assert (folder / file.name).read_bytes() == file.read_bytes()


def test_all_processes_together_see_each_photo_once_in_an_epoch(shards: Path) -> None:
    stream = batches_of(shards).stream
    seen = Counter(
        json.loads(files["json"])["photo_id"] for reader in range(3) for files in stream.encoded(0, reader, 3)
    )
    assert len(seen) == PHOTOS and set(seen.values()) == {1}


def test_rare_coats_are_shown_more_often_up_to_all_alike() -> None:
    from training.image.shards import ShardIndex

    index = ShardIndex((), 100, (), (60, 30, 10, 0, 0, 0, 0), (60.0, 30.0, 5.0, 0.0, 0.0, 0.0, 0.0))
    for power in (0.0, 0.5, 1.0):
        shown = np.array(index.weight) * index.times(power)
        assert shown.sum() == pytest.approx(100)
    assert shown[0] == pytest.approx(shown[1]) == pytest.approx(2 * shown[2])


def test_the_same_seed_gives_the_same_batches_and_a_broken_off_epoch_goes_on_with_the_next(shards: Path) -> None:
    """By two loading processes, broken off in the middle of their turns."""
    whole = batches_of(shards, workers=2)
    first, second = list(whole), list(whole)
    assert len(first) == len(second) == len(whole) == PHOTOS // BATCH
    assert not same(first, second)
    assert same(list(batches_of(shards, workers=2, begin=(0, 3))), first[3:])
    assert same(list(batches_of(shards, workers=2, begin=(1, 0))), second)
    assert not same(list(batches_of(shards, workers=2, seed=1)), first)


def test_two_training_processes_share_a_batch(shards: Path) -> None:
    one, other = (list(batches_of(shards, place=(rank, 2))) for rank in (0, 1))
    assert {part[0].shape[0] for part in (*one, *other)} == {BATCH // 2}
    assert len(one) == len(other) == PHOTOS // BATCH and not same(one, other)


def test_a_damaged_photo_and_the_rest_of_a_damaged_shard_are_passed_over_and_counted(
    shards: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "damaged"
    shutil.copytree(shards, folder)
    with tarfile.open(folder / "shard-000001.tar") as tar:
        entry = next(entry for entry in tar if entry.name.endswith(".jpg"))
    with (folder / "shard-000001.tar").open("r+b") as stream:
        stream.seek(entry.offset_data)
        stream.write(bytes(entry.size))
    cut = (folder / "shard-000002.tar").read_bytes()
    (folder / "shard-000002.tar").write_bytes(cut[: len(cut) // 2 + 100])
    batches = batches_of(folder)
    found = list(batches)
    assert len(found) == PHOTOS // BATCH and all(torch.isfinite(part[0]).all() for part in found)
    assert 2 <= batches.broken <= 4  # an epoch's few last places are filled from the beginning again
    sound = batches_of(shards)
    assert len(list(sound)) == len(found) and sound.broken == 0


def test_more_loading_processes_than_shards_are_refused(shards: Path) -> None:
    from coatclass.errors import InputError

    with pytest.raises(InputError, match="holds 6 shards for 7 loading processes"):
        list(batches_of(shards).stream.encoded(0, 0, 7))


def test_shards_and_files_are_measured_on_the_same_photos(tmp_path: Path) -> None:
    from training.image.shards import measure

    found = measure(tmp_path, photos=16, rounds=1)
    assert found["photos"] == 16 and found["bytes_a_photo"] > 1000
    assert found["reading"] > 0 and found["with_decoding_and_augmentation"] > 0
