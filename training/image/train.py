"""The steps of a run in their order; each leaves a file in the work folder, from which an interrupted run continues.

Files appear whole or not at all: a run may be interrupted at any moment, and two processes may write the same file.
"""

from __future__ import annotations

import copy
import hashlib
import json
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from safetensors.torch import load_file
from torch import Tensor

from coatclass.durable import new_file, write_whole
from training.image.config import Config, origins
from training.image.finetune import Crew, finetune, gallery_batches, interpolate, join_crew
from training.image.heads import (
    Looked,
    Readings,
    all_maps,
    fit_heads,
    fit_last,
    fit_mask,
    pooled,
    pooled_maps,
    pooled_near,
    read_features,
    read_twice,
)
from training.image.labels import Labels, TrainingPlan, make_plan, read_labels
from training.image.network import CoatNetwork, load_backbone
from training.image.pictures import Gallery, Prepared, mask_grid, open_gallery, prepare
from training.image.release import add_rows, background_shift, best_share, release_model, save_weights

_NAMES = tuple(Readings.__dataclass_fields__)


@dataclass(frozen=True)
class Places:
    """Folders: photos, released files, work that can be resumed, and weights where the packages are missing."""

    photos: Path
    out: Path
    work: Path
    weights: Path | None = None


@dataclass(frozen=True)
class Setup:
    """What the steps of one configuration share."""

    config: Config
    labels: Labels
    gallery: Gallery
    prepared: Prepared
    plan: TrainingPlan
    crew: Crew
    work: Path


def train(
    configs: Sequence[Config], places: Places, *, release: bool, workers: int, share_batches: bool = False
) -> None:
    """Compare configurations, and release the last one unless only a comparison is asked for.

    A run needs many trainings (folds and seeds) of a small network, so several processes share out whole trainings: no
    gradient has to travel, and results do not depend on how many they are. With ``share_batches`` they train each
    network together instead: for trainings that one GPU would take too long for.
    """
    crew = join_crew(share_batches=share_batches)
    torch.backends.cudnn.allow_tf32 = True  # but not in matrix products: the kinship head's large weights cancel out
    labels = read_labels(places.photos)
    claim(configs, places, crew)
    gallery = open_gallery(places.photos, labels)
    places.out.mkdir(parents=True, exist_ok=True)
    for config in configs:
        last = release and config is configs[-1]
        plan = make_plan(labels, config, release=last)
        prepared = prepare(gallery.pictures, config.preprocessing).to(crew.device)
        setup = Setup(config, labels, gallery, prepared, plan, crew, places.work / config.name)
        _train_one(setup, places, release=last, workers=workers)


def claim(configs: Sequence[Config], places: Places, crew: Crew) -> None:
    """Make sure that what lies in the work folder was made from the same, before anything is added to it."""
    found = origins(configs, places.photos, places.work)
    for origin in found:
        origin.check()
    crew.wait()  # all processes check before one writes, so that all see the same
    if crew.rank == 0:
        for origin in found:
            origin.write()


def _train_one(setup: Setup, places: Places, *, release: bool, workers: int) -> None:
    started = time.perf_counter()
    frozen, views = frozen_network(setup, places.weights)
    todo = [(job, seed) for job in setup.plan.jobs for seed in setup.config.seeds] if setup.config.finetune else []
    for job, seed in todo if setup.crew.gradients else setup.crew.share(todo):
        finetune_job(setup, frozen, views, job=job, seed=seed, workers=workers)
    setup.crew.wait()
    for job, _ in setup.crew.share([(job, 0) for job in setup.plan.jobs]):
        _read_job(setup, frozen, views, job)
    setup.crew.wait()
    if setup.crew.rank == 0:
        minutes = (time.perf_counter() - started) / 60
        readings = {job: _load_readings(setup, job) for job in setup.plan.jobs}
        share = best_share(setup.config, setup.labels, setup.plan, readings)
        network, _ = _network_of(setup, frozen, views, "val", share)
        shift = background_shift(network, setup.gallery, setup.labels, setup.config.preprocessing)
        rows = places.out / "ablations.csv"
        shown = {"chosen": share, "minutes": minutes}
        add_rows(rows, setup.config, setup.labels, setup.plan, readings, shift=shift, **shown)
        if release:
            final, _ = _network_of(setup, frozen, views, "all", share)
            release_model(
                setup.config,
                setup.labels,
                setup.plan,
                readings,
                final,
                share=share,
                out=places.out,
                work=setup.work,
                minutes=minutes,
                shift=shift,
                processes=setup.crew.size,
            )
            _keep_log(setup.work, places.out / "training_log.json")
    setup.crew.wait()


def frozen_network(setup: Setup, weights: Path | None) -> tuple[CoatNetwork, list[Tensor]]:
    """ImageNet's backbone with a mask fitted on the training split's trimaps, and features of all photos."""
    config, device = setup.config, setup.crew.device
    network = CoatNetwork(load_backbone(config.backbone, weights), second=config.second).to(device)
    kept = _frozen_file(setup)
    if setup.crew.rank == 0 and not kept.is_file():
        masks, tensors = setup.gallery.masks, setup.prepared.tensors
        chosen = [int(k) for k in setup.labels.where("train") if masks[k] is not None]
        grids = {k: mask_grid(masks[k], tensors[k]) for k in chosen}  # type: ignore[arg-type]
        maps = all_maps(network, setup.prepared)
        fit_mask(network, maps, grids, l2=config.heads.mask_l2, seed=0)
        plain, dog_share = pooled_maps(network, maps)
        views = [plain]
        if config.heads.flip:
            views.append(pooled_maps(network, all_maps(network, setup.prepared, flip=True))[0])
        with new_file(kept) as stream:
            torch.save({"network": network.state_dict(), "views": views, "share": dog_share}, stream)
    setup.crew.wait()
    found = torch.load(kept, weights_only=True, map_location=device)
    network.load_state_dict(found["network"])
    return network, [view.cpu() for view in found["views"]]


def _frozen_file(setup: Setup) -> Path:
    """Where the frozen network and its features lie: configurations that differ only in what follows share them."""
    config = setup.config
    parts = config.backbone, config.size, config.rule, config.second, config.heads.mask_l2, config.heads.flip
    return setup.work.parent / f"frozen-{'-'.join(map(str, parts))}.pt"


def start_of(setup: Setup, frozen: CoatNetwork, views: list[Tensor], job: str) -> CoatNetwork:
    """The frozen network with heads fitted on the photos that this job may see."""
    network = copy.deepcopy(frozen)
    kept = _start_file(setup, job)
    if kept.is_file():
        network.take(load_file(kept, device=str(setup.crew.device)))
    else:
        learn = setup.labels, setup.plan.jobs[job], setup.config.heads
        fit_heads(network, views, *learn)
        fit_last(network, views[0], *learn)
        save_weights(network, kept)
    return network


def _start_file(setup: Setup, job: str) -> Path:
    """Where the job's fitted heads lie: configurations with the same frozen network and heads share them."""
    config = setup.config
    fitted = f"{config.heads.model_dump_json()} {config.folds} {config.seeds[0]}"
    digest = hashlib.sha256(fitted.encode()).hexdigest()[:8]
    return setup.work.parent / f"start-{_frozen_file(setup).stem.removeprefix('frozen-')}-{digest}-{job}.safetensors"


def _keep_log(work: Path, path: Path) -> None:
    """Losses by epoch of every training behind the release; one entry a job and seed."""
    logs = {log.stem.removeprefix("log_"): json.loads(log.read_text()) for log in sorted(work.glob("log_*.json"))}
    if logs:
        path.write_text(json.dumps(logs) + "\n", encoding="utf-8")


def finetune_job(setup: Setup, frozen: CoatNetwork, views: list[Tensor], *, job: str, seed: int, workers: int) -> None:
    """Train for one job from one seed, unless that was done before."""
    kept = end_file(setup, job, seed)
    if kept.is_file():
        return
    assert setup.config.finetune is not None
    settings, crew = setup.config.finetune.drawn(seed), setup.crew
    batches = gallery_batches(
        setup.gallery,
        setup.labels,
        setup.plan.jobs[job],
        settings,
        rule=setup.config.preprocessing,
        seed=seed,
        workers=workers,
        place=crew.place,
    )
    start, breeds = start_of(setup, frozen, views, job), len(setup.labels.breeds)
    end, log = finetune(start, batches, settings, breeds=breeds, steps=len(batches), seed=seed, crew=crew)
    if crew.place[0]:
        return  # of the processes that share batches, the first writes
    write_whole(setup.work / f"log_{job}_{seed}.json", json.dumps(log, indent=1).encode())
    save_weights(end, kept)
    print(f"{setup.config.name} {job} seed {seed}: {log[-1]}", flush=True)


def end_of(setup: Setup, job: str, seed: int) -> dict[str, Tensor]:
    """The state in which one seed's training ended."""
    return load_file(end_file(setup, job, seed), device=str(setup.crew.device))


def end_file(setup: Setup, job: str, seed: int) -> Path:
    """Where that is kept."""
    return setup.work / f"end_{job}_{seed}.safetensors"


def _network_of(
    setup: Setup, frozen: CoatNetwork, views: list[Tensor], job: str, share: float
) -> tuple[CoatNetwork, tuple[Tensor, Tensor]]:
    """The job's network at a share of fine-tuned weights (mean over the seeds), with what is learned last.

    Returns:
        The network, and what its first look pools from all photos: features (N, ...) and share of dog (N,).
    """
    start = start_of(setup, frozen, views, job)
    if share == 0:
        kept = torch.load(_frozen_file(setup), weights_only=True, map_location="cpu")
        return start, (views[0], kept["share"])
    network = interpolate(start, [end_of(setup, job, seed) for seed in setup.config.seeds], share)
    features, dog_share = pooled(network, setup.prepared)
    fit_last(network, features, setup.labels, setup.plan.jobs[job], setup.config.heads)
    return network, (features, dog_share)


def _read_job(setup: Setup, frozen: CoatNetwork, views: list[Tensor], job: str) -> None:
    """Readings of all photos by a job's network, at every share; from nearer, of those that it did not learn from."""
    kept = setup.work / f"readings_{job}.npz"
    if kept.is_file():
        return
    columns: dict[str, NDArray[np.float32]] = {}
    for share in setup.config.shares:
        network, (features, dog_share) = _network_of(setup, frozen, views, job, share)
        first = read_features(network, features)
        columns |= {f"{share}:first:{name}": getattr(first, name) for name in _NAMES}
        columns[f"{share}:dog_share"] = dog_share.numpy()
        if setup.config.second_look:
            chosen = np.setdiff1d(np.arange(len(setup.labels)), setup.plan.jobs[job])
            rule = setup.config.preprocessing
            near = read_features(network, pooled_near(network, setup.gallery, setup.prepared, rule, chosen))
            for name in _NAMES:
                column = np.full_like(getattr(first, name), np.nan)
                column[chosen] = getattr(near, name)
                columns[f"{share}:near:{name}"] = column
    with new_file(kept) as stream:
        np.savez(stream, **columns)  # type: ignore[arg-type]


def _load_readings(setup: Setup, job: str) -> dict[float, Looked]:
    """Readings and share of dog, by share of fine-tuned weights."""
    with np.load(setup.work / f"readings_{job}.npz") as columns:

        def look(share: float, which: str) -> Readings:
            return Readings(*(columns[f"{share}:{which}:{name}"] for name in _NAMES))

        found = {}
        for share in setup.config.shares:
            first = said = look(share, "first")
            near = None
            if setup.config.second_look:
                near = look(share, "near")
                said = read_twice(first, near, setup.config.second_look)
            found[share] = Looked(said, first, near, columns[f"{share}:dog_share"])
        return found
