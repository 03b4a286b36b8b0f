"""``python -m training shards``: photos by the million, in tar files that are read as streams.

A shard holds some thousand photos as ``NUMBER.jpg``, ``NUMBER.json`` (targets) and, where the dog was outlined,
``NUMBER.png``: the layout that WebDataset's readers take. Photos lie in it upright, no larger than training wants them,
and a disk or an object store reads it from front to back. ``shard-N.json`` beside each says what is in it; a shard that
has one is complete, so that an interrupted command continues after it.
"""

from __future__ import annotations

import argparse
import copy
import csv
import hashlib
import json
import multiprocessing
import os
import random
import resource
import statistics
import tarfile
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from io import BytesIO
from itertools import count, islice
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image
from torch import Tensor
from torch.utils.data import DataLoader, Dataset, IterableDataset, get_worker_info

from coatclass import photo
from coatclass.durable import new_file, write_whole
from coatclass.errors import CoatclassError, InputError
from coatclass.taxonomy import CATEGORIES
from coatclass.vision import Preprocessing
from training.image.config import Config, Finetune, read_config
from training.image.finetune import Augmented, Example, finetune, join_crew, start_worker
from training.image.labels import Labels, labels_of, read_further
from training.image.network import CoatNetwork, load_backbone
from training.image.pictures import Pixels, trimap_mask
from training.image.release import save_weights
from training.places import ROOT, add_photos_argument, read_csv, write_csv

__all__ = ["ShardBatches", "ShardIndex", "add_arguments", "read_index", "run", "write_shards"]

_PER_SHARD, _SIDE, _QUALITY = 5000, 640, 90  # photos; px of the short side; JPEG
_BUFFER = 1000  # encoded photos in a loading process's shuffle buffer
_SAID = ("category", "band", "usable", "confidence")
_BROKEN = (OSError, ValueError, SyntaxError, KeyError)  # what Pillow, json and tarfile raise on damaged content


# --- writing ---------------------------------------------------------------------------------------------------------


def write_shards(
    photos: Path, out: Path, *, per_shard: int = _PER_SHARD, side: int = _SIDE, workers: int = 2
) -> tuple[int, int]:
    """Write the photos of ``photos/manifest.csv`` into shards, in the table's order; return how many, and how many not.

    The table is read as a stream. Photos that can't be opened are left out and named in the shard's JSON file. Mix the
    table beforehand if one breed or source follows the other: readers mix shards and neighbours, not the whole.

    Raises:
        InputError: if there is no such table, or the folder holds shards of another.
    """
    path = photos / "manifest.csv"
    if not path.is_file():
        raise InputError(str(photos), "holds no manifest.csv.", "Name the photos with --photos or COATCLASS_PHOTOS.")
    out.mkdir(parents=True, exist_ok=True)
    further = read_further(photos)
    written = broken = 0
    with path.open(newline="", encoding="utf-8") as stream, ThreadPoolExecutor(workers) as pool:
        rows = csv.DictReader(stream)
        for number, part in enumerate(iter(lambda: list(islice(rows, per_shard)), [])):
            kept = out / f"shard-{number:06d}.json"
            of = {"rows": len(part), "from": part[0]["photo_id"], "to": part[-1]["photo_id"], "side": side}
            if not kept.is_file():
                labels = labels_of(part, *further)
                members = list(pool.map(lambda file: _encoded(photos, file, side), labels.file))
                write_whole(kept, json.dumps(of | _write(kept.with_suffix(".tar"), labels, members)).encode())
            found = json.loads(kept.read_text(encoding="utf-8"))
            if any(found.get(name) != value for name, value in of.items()):
                raise InputError(str(kept), "was written from another table, or otherwise.", "Name another --out.")
            written, broken = written + found["photos"], broken + len(found["broken"])
    return written, broken


def _encoded(photos: Path, file: str, side: int) -> dict[str, bytes] | None:
    """A photo and its mask as files, at the size they are kept in; None if it can't be opened."""
    try:
        image = photo.load(photos / file).image
    except CoatclassError:
        return None
    mask = trimap_mask(photos, Path(file), (image.height, image.width))
    share = min(1.0, side / min(image.size))
    size = round(image.width * share), round(image.height * share)
    found = {"jpg": _file(image.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0), "JPEG", quality=_QUALITY)}
    if mask is not None:
        found["png"] = _file(Image.fromarray(mask).resize(size, Image.Resampling.BILINEAR), "PNG")
    return found


def _file(image: Image.Image, form: str, **options: int) -> bytes:
    stream = BytesIO()
    image.save(stream, form, **options)
    return stream.getvalue()


def _write(path: Path, labels: Labels, members: Sequence[Mapping[str, bytes] | None]) -> dict[str, Any]:
    """Write one shard; return what ``shard-N.json`` says of it."""
    there = np.array([files is not None for files in members])
    coats = labels.category_hard[there]
    with new_file(path) as stream, tarfile.open(fileobj=stream, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for place, files in enumerate(members):
            if files is None:
                continue
            target = {
                "photo_id": str(labels.photo_id[place]),
                "coat": int(labels.category_hard[place]),
                "weight": float(labels.weight[place]),
                "category": labels.category[place].tolist(),
                "band": labels.band[place].tolist(),
                "breed": labels.breeds[labels.breed[place]],
                "looks": labels.looks[place].tolist(),
            }
            for ending, data in {**files, "json": json.dumps(target).encode()}.items():
                entry = tarfile.TarInfo(f"{place:06d}.{ending}")
                entry.size = len(data)
                tar.addfile(entry, BytesIO(data))
    return {
        "photos": int(there.sum()),
        "broken": labels.photo_id[~there].tolist(),
        "breeds": sorted(set(labels.breeds)),
        "coats": np.bincount(coats, minlength=len(CATEGORIES)).tolist(),
        "weight": np.bincount(coats, labels.weight[there], len(CATEGORIES)).tolist(),
    }


# --- reading ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ShardIndex:
    """A folder of shards: how many photos, which breeds; photos and summed weights by coat (7,)."""

    shards: tuple[Path, ...]
    photos: int
    breeds: tuple[str, ...]
    coats: tuple[int, ...]
    weight: tuple[float, ...]

    def times(self, power: float) -> list[float]:
        """How often a photo of weight 1 of each coat (7,) is shown in an epoch: rare coats more often, 1 on average."""
        raised = [(max(1, number) / self.photos) ** -power for number in self.coats]
        mean = sum(factor * weight for factor, weight in zip(raised, self.weight, strict=True)) / self.photos
        return [factor / mean for factor in raised]


def read_index(folder: Path) -> ShardIndex:
    """What ``write_shards`` left.

    Raises:
        InputError: if there is no shard.
    """
    files = sorted(folder.glob("shard-*.json"))
    if not files:
        raise InputError(str(folder), "holds no shards.", "Write them with `python -m training shards write`.")
    found = [json.loads(file.read_text(encoding="utf-8")) for file in files]
    return ShardIndex(
        tuple(file.with_suffix(".tar") for file in files),
        sum(one["photos"] for one in found),
        tuple(sorted({breed for one in found for breed in one["breeds"]})),
        tuple(map(sum, zip(*(one["coats"] for one in found), strict=True))),
        tuple(map(sum, zip(*(one["weight"] for one in found), strict=True))),
    )


def members_of(shard: Path) -> Iterator[dict[str, bytes]]:
    """The files of each photo by ending, read from front to back.

    Raises:
        tarfile.TarError, OSError: where the shard is damaged.
    """
    key, files = "", dict[str, bytes]()
    with tarfile.open(shard, "r|") as tar:
        for entry in tar:
            name, _, ending = entry.name.partition(".")
            stream = tar.extractfile(entry)
            if name != key and files:
                yield files
                files = {}
            key = name
            if stream is not None:
                files[ending] = stream.read()
    if files:
        yield files


class Stream(IterableDataset[Example]):
    """One loading process's endless stream of :data:`Example` in one epoch.

    Shards are dealt anew for each epoch among all loading processes of all training processes. A photo that can't be
    decoded gives its place to the one before it, so that all keep step; ``broken`` counts it.
    """

    def __init__(
        self, index: ShardIndex, rule: Preprocessing, settings: Finetune, *, seed: int, place: tuple[int, int]
    ) -> None:
        self.index, self.seed, self.place = index, seed, place
        self.epoch, self.done, self.batch = 0, 0, 1  # where to begin, in this training process's batches
        self.augmented = Augmented(rule, settings)
        self.times = index.times(settings.class_power)
        self.breeds = {name: number for number, name in enumerate(index.breeds)}
        self.broken = multiprocessing.Value("q", 0)

    def __iter__(self) -> Iterator[Example]:
        info = get_worker_info()
        worker, workers = (info.id, info.num_workers) if info else (0, 1)
        worker = (worker + self.done) % workers  # the batches come from the loading processes in turn
        reader, readers = self.place[0] * workers + worker, self.place[1] * workers
        behind = len(range(worker, self.done, workers)) * self.batch
        last: Example | None = None
        behind_it: Mapping[str, bytes] = {}
        drawn = (files for turn in count() for files in self.encoded(turn, reader, readers))
        for number, files in enumerate(drawn):
            if number >= behind:
                try:
                    last = self.example(files, behind_it, (self.seed, self.epoch, reader, number))
                except _BROKEN:
                    self._count()
                if last is not None:
                    yield last
            behind_it = files

    def encoded(self, turn: int, reader: int, readers: int) -> Iterator[dict[str, bytes]]:
        """The files of the photos that fall to a loading process, once through its shards, mixed and by weight."""
        if readers > len(self.index.shards):
            raise InputError(
                str(self.index.shards[0].parent),
                f"holds {len(self.index.shards)} shards for {readers} loading processes.",
                "Write smaller shards (--per-shard), or use fewer --workers.",
            )
        order = np.random.default_rng((self.seed, self.epoch)).permutation(len(self.index.shards))
        draw = random.Random(f"{self.seed} {self.epoch} {turn} {reader}")
        mixed: list[dict[str, bytes]] = []
        for shard in order[reader::readers]:
            for files in self._members(self.index.shards[shard]):
                for _ in range(self._shown(files, draw)):
                    mixed.append(files)
                    if len(mixed) > _BUFFER:
                        place = draw.randrange(len(mixed))
                        mixed[place], mixed[-1] = mixed[-1], mixed[place]
                        yield mixed.pop()
        draw.shuffle(mixed)
        yield from mixed

    def _members(self, shard: Path) -> Iterator[dict[str, bytes]]:
        try:
            yield from members_of(shard)
        except (tarfile.TarError, OSError):
            self._count()  # what follows the damage is lost for this epoch

    def _shown(self, files: Mapping[str, bytes], draw: random.Random) -> int:
        """How often a photo is shown: its expected number, rounded up or down by chance."""
        try:
            target = json.loads(files["json"])
            wanted: float = self.times[target["coat"]] * target["weight"]
        except _BROKEN:
            self._count()
            return 0
        return int(wanted) + (draw.random() < wanted % 1)

    def example(self, files: Mapping[str, bytes], other: Mapping[str, bytes], seed: Sequence[int]) -> Example:
        """The example of a photo's files.

        Args:
            other: another photo's, whose colours may become the background.
            seed: as in :class:`Augmented`.
        """
        target = json.loads(files["json"])
        picture = _picture(files)
        mask = np.asarray(Image.open(BytesIO(files["png"]))) if "png" in files else None

        def ground(_: np.random.Generator) -> Pixels:
            try:
                return _picture(other)
            except _BROKEN:
                return picture

        seen = self.augmented(picture, mask, ground, seed)
        soft = (torch.tensor(target[name]) for name in ("category", "band"))
        return (*seen, *soft, torch.tensor(self.breeds[target["breed"]]), torch.tensor(target["looks"]))

    def _count(self) -> None:
        with self.broken.get_lock():
            self.broken.value += 1


def _picture(files: Mapping[str, bytes]) -> Pixels:
    return np.asarray(Image.open(BytesIO(files["jpg"])).convert("RGB"))


class ShardBatches:
    """Batches of a folder of shards, an epoch at each iteration; the same for the same seed and numbers of processes.

    Args:
        begin: epoch and number of batches in it that were had before; the stream continues after them.
    """

    def __init__(
        self,
        index: ShardIndex,
        rule: Preprocessing,
        settings: Finetune,
        *,
        seed: int = 0,
        workers: int = 0,
        place: tuple[int, int] = (0, 1),
        begin: tuple[int, int] = (0, 0),
    ) -> None:
        self.stream = Stream(index, rule, settings, seed=seed, place=place)
        self.stream.batch = settings.batch // place[1]
        self.stream.epoch, self.stream.done = begin
        self.steps, self.workers = max(1, index.photos // settings.batch), workers

    def __len__(self) -> int:
        return self.steps

    @property
    def broken(self) -> int:
        """Photos and shards that could not be read so far, as often as they were met."""
        return int(self.stream.broken.value)

    def __iter__(self) -> Iterator[list[Tensor]]:
        stream = copy.copy(self.stream)
        self.stream.epoch, self.stream.done = self.stream.epoch + 1, 0
        loader = DataLoader(stream, stream.batch, num_workers=self.workers, worker_init_fn=start_worker)
        yield from islice(loader, self.steps - stream.done)


# --- measuring -------------------------------------------------------------------------------------------------------


class Files(Dataset[Example]):
    """The same photos and targets as single files, opened in any order: what shards are measured against."""

    def __init__(self, folder: Path, stream: Stream) -> None:
        self.stems = sorted(path.with_suffix("") for path in folder.glob("*.jpg"))
        self.stream = stream

    def __len__(self) -> int:
        return len(self.stems)

    def __getitem__(self, place: int) -> Example:
        return self.stream.example(self.files(place), {}, (0, place))

    def files(self, place: int) -> dict[str, bytes]:
        """The files of one photo by ending."""
        stem = self.stems[place]
        return {"jpg": stem.with_suffix(".jpg").read_bytes(), "json": stem.with_suffix(".json").read_bytes()}


def measure(folder: Path, *, photos: int, rounds: int) -> dict[str, Any]:
    """Processor time of single files over shards, medians of paired rounds on invented photos, and memory on the way.

    One process, so that other work on the machine matters little. All files lie in the system's cache: what a disk's
    seeks or the requests to an object store add is not in it.
    """
    load = round(os.getloadavg()[0], 1)
    config = Config(name="measured", size=320, finetune=Finetune(class_power=0.0))
    assert config.finetune is not None
    invented = invent(folder / "photos", photos)
    writing = _seconds(lambda: write_shards(invented, folder / "shards", per_shard=max(1, photos // 8), workers=1))
    index = read_index(folder / "shards")
    single = folder / "single"
    single.mkdir()
    for shard in index.shards:
        for one in members_of(shard):
            name = json.loads(one["json"])["photo_id"]
            for ending, data in one.items():
                (single / f"{name}.{ending}").write_bytes(data)
    batches = ShardBatches(index, config.preprocessing, config.finetune)
    files = Files(single, batches.stream)
    order = np.random.default_rng(0).permutation(len(files))
    loader: DataLoader[Example] = DataLoader(files, batches.stream.batch, shuffle=True)

    def raw_files() -> int:
        return sum(len(files.files(int(place))["jpg"]) for place in order)

    def raw_shards() -> int:
        return sum(len(one["jpg"]) for shard in index.shards for one in members_of(shard))

    def ratio(of_files: Callable[[], object], of_shards: Callable[[], object]) -> tuple[float, float]:
        """Files over shards, and the seconds of shards."""
        times = [(_seconds(of_files), _seconds(of_shards)) for _ in range(rounds)]
        return statistics.median(one / other for one, other in times), statistics.median(other for _, other in times)

    reading, _ = ratio(raw_files, raw_shards)
    whole, seconds = ratio(lambda: sum(1 for _ in loader), lambda: sum(1 for _ in batches))
    held = [_resident_mb() for _ in islice(batches.stream, 2 * photos)]
    return {
        "photos": photos,
        "bytes_a_photo": round(raw_shards() / photos),
        "reading": round(reading, 2),
        "with_decoding_and_augmentation": round(whole, 2),
        "cpu_ms_a_photo": {
            "writing": round(1000 * writing / photos, 2),
            "reading": round(1000 * seconds / (len(batches) * batches.stream.batch), 2),
        },
        "memory_mb": {"after_half_an_epoch": held[photos // 2], "after_two": held[-1]},
        "machine": {"cores": os.cpu_count(), "load_before": load},
    }


def ten_million(cpu_ms: Mapping[str, float], bytes_a_photo: float) -> dict[str, float]:
    """What ten million photos cost, an estimate: from rates measured here, and those of the released model's training.

    Its trainings ran in several processes a GPU; what their gradients cost on the way, and waiting for storage, is left
    out.
    """
    log = json.loads((ROOT / "models" / "training_log.json").read_text(encoding="utf-8"))
    made = json.loads((ROOT / "models" / "manifest.json").read_text(encoding="utf-8"))["training"]
    labels = read_csv(ROOT / "datasets" / "labels.csv")
    batch = made["config"]["finetune"]["batch"]
    learned = sum(row["split"] != "test" for row in labels) // batch * batch
    seconds = statistics.median(epoch["seconds"] for job, run in log.items() if job.startswith("all") for epoch in run)
    environment = made["environment"]
    rate = learned / seconds * environment["processes"] / environment["gpus"]
    return {
        "terabytes": round(1e7 * bytes_a_photo / 1e12, 2),
        "core_hours_to_write": round(1e7 * cpu_ms["writing"] / 3.6e6),
        "core_hours_an_epoch": round(1e7 * cpu_ms["reading"] / 3.6e6),
        "photos_a_second_and_gpu": round(rate),
        "gpu_hours_an_epoch": round(1e7 / rate / 3600, 1),
        "cores_that_feed_a_gpu": round(rate * cpu_ms["reading"] / 1000, 1),
    }


def invent(folder: Path, number: int) -> Path:
    """A folder of invented photos, 800 x 600, with a manifest; their content means nothing."""
    folder.mkdir(parents=True, exist_ok=True)
    columns = ["photo_id", "file", "set", "breed", "split", "group", "category", "category_status", "band"]
    columns += ["band_status", "usable", *(f"{name}_{k}" for k in "12" for name in _SAID)]
    rows = []
    draw = np.random.default_rng(0)
    for place in range(number):
        small = draw.integers(0, 256, (60, 80, 3), dtype=np.uint8)
        Image.fromarray(small).resize((800, 600), Image.Resampling.BICUBIC).save(folder / f"{place}.jpg", quality=85)
        said = [str(CATEGORIES[place % len(CATEGORIES)]), "C", "y", "3"]
        names = [str(place), f"{place}.jpg", "invented", "none", "train", str(place)]
        rows.append(dict(zip(columns, [*names, said[0], "agreed", "C", "agreed", "y", *said, *said], strict=True)))
    write_csv(folder / "manifest.csv", columns, rows)
    return folder


def _seconds(call: Callable[[], object]) -> float:
    began = time.process_time()
    call()
    return time.process_time() - began


def _resident_mb() -> int:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() // 2**20


# --- the command -----------------------------------------------------------------------------------------------------


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    write = actions.add_parser("write", help="write the photos of a table into shards")
    add_photos_argument(write)
    write.add_argument("--out", type=Path, required=True, help="folder of the shards")
    write.add_argument("--per-shard", type=int, default=_PER_SHARD, help=f"photos (default: {_PER_SHARD})")
    write.add_argument("--side", type=int, default=_SIDE, help=f"longest short side, px (default: {_SIDE})")
    train = actions.add_parser("train", help="train a network further on shards; under torchrun by all its processes")
    train.add_argument("--config", type=Path, required=True, help="TOML file with a [finetune] part")
    train.add_argument("--shards", type=Path, required=True, help="folder that `write` filled")
    train.add_argument("--start", type=Path, required=True, help="weights to start from, such as released.safetensors")
    train.add_argument("--weights", type=Path, help="folder of ImageNet weights, where their packages are missing")
    train.add_argument("--out", type=Path, required=True, help="where the trained weights go; losses beside them")
    measured = actions.add_parser("measure", help="measure shards against single files, as ratios of one run")
    measured.add_argument("--photos", type=int, default=2000, help="invented photos (default: 2000)")
    measured.add_argument("--rounds", type=int, default=5, help="pairs that are timed (default: 5)")
    measured.add_argument("--out", type=Path, default=ROOT / "models" / "shards.json", help="where the figures go")
    for action in (write, train):
        action.add_argument("--workers", type=int, default=2, help="loading processes or threads (default: 2)")


def run(options: argparse.Namespace) -> int:
    """Write, train or measure."""
    if options.action == "write":
        written, broken = write_shards(
            options.photos, options.out, per_shard=options.per_shard, side=options.side, workers=options.workers
        )
        held = sum(file.stat().st_size for file in options.out.glob("shard-*.tar"))
        print(f"{written} photos are in {options.out} ({held / 1e6:.1f} MB), {broken} could not be opened.")
        return 0
    if options.action == "train":
        _train(read_config(options.config), options)
        return 0
    with tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder), photos=options.photos, rounds=options.rounds)
    found["ten_million_estimated"] = ten_million(found["cpu_ms_a_photo"], found["bytes_a_photo"])
    text = json.dumps(found, indent=1) + "\n"
    options.out.write_text(text, encoding="utf-8")
    print(text, end="")
    return 0


def _train(config: Config, options: argparse.Namespace) -> None:
    from safetensors.torch import load_file

    if config.finetune is None:
        raise InputError(str(options.config), "has no part [finetune].", "Take training/configs/tuned.toml.")
    crew, seed = join_crew(share_batches=True), config.seeds[0]
    settings, index = config.finetune.drawn(seed), read_index(options.shards)
    start = CoatNetwork(load_backbone(config.backbone, options.weights), second=config.second)
    start.take(load_file(options.start))
    made_from = f"{config.model_dump_json(exclude={'name'})} {len(index.shards)} {index.photos}"
    kept = options.out.with_suffix(f".{hashlib.sha256(made_from.encode()).hexdigest()[:8]}.checkpoint")
    done = len(torch.load(kept, map_location="cpu", weights_only=True)["log"]) if kept.is_file() else 0
    batches = ShardBatches(
        index,
        config.preprocessing,
        settings,
        seed=seed,
        workers=options.workers,
        place=crew.place,
        begin=(done, 0),
    )
    network, log = finetune(
        start.float().to(crew.device),
        batches,
        settings,
        breeds=len(index.breeds),
        steps=len(batches),
        seed=seed,
        crew=crew,
        checkpoint=kept,
    )
    if crew.rank == 0:
        save_weights(network, options.out)
        write_whole(options.out.with_suffix(".json"), json.dumps({"log": log, "broken": batches.broken}).encode())
        kept.unlink(missing_ok=True)
    crew.wait()
