"""Training of the whole network from its linear probe, and interpolation back towards where it started."""

from __future__ import annotations

import copy
import math
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional
from torch.utils.data import DataLoader, Dataset, WeightedRandomSampler

from coatclass.vision import Preprocessing
from training.image.config import Finetune
from training.image.heads import class_weights
from training.image.labels import Labels
from training.image.linear import looks_cross_entropy, ordinal_cross_entropy, soft_cross_entropy
from training.image.network import CoatNetwork
from training.image.pictures import Gallery, swap_background, training_transform, trunk_crop

LOSSES = ("texture", "kinship", "band", "mask", "breed", "looks", "keep")
_Item = TypeVar("_Item")
_HEADS = ("mask_coarse", "mask_fine", "texture", "band", "kinship", "breed", "looks")


@dataclass(frozen=True)
class Crew:
    """This process among those that ``torchrun`` started (one, if it did not)."""

    rank: int
    size: int
    device: torch.device

    def share(self, items: Sequence[_Item]) -> Sequence[_Item]:
        """The items that fall to this process."""
        return items[self.rank :: self.size]

    def wait(self) -> None:
        """Wait until all processes have come here."""
        if self.size > 1:
            torch.distributed.barrier()


def join_crew() -> Crew:
    """Join the processes that ``torchrun`` started, on a GPU if there is one (several processes may share it)."""
    rank, size = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    if size > 1 and not torch.distributed.is_initialized():
        torch.distributed.init_process_group("gloo")
    if not torch.cuda.is_available():
        return Crew(rank, size, torch.device("cpu"))
    device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", "0")) % torch.cuda.device_count())
    torch.cuda.set_device(device)  # streams and graphs belong to the current device
    return Crew(rank, size, device)


class Drawn(Dataset[tuple[Tensor, Tensor, int]]):
    """Augmented pictures (3, S, S), their dog share on the mask's grid (S/16, S/16; -1 if unknown), and the index.

    Only photos that may be learned from are drawn from, other backgrounds too.
    """

    def __init__(
        self, gallery: Gallery, chosen: NDArray[np.int64], rule: Preprocessing, settings: Finetune, seed: int
    ) -> None:
        self.gallery, self.chosen, self.rule, self.seed = gallery, chosen, rule, seed
        self.swap, self.near = settings.background_swap, settings.trunk_crops
        self.transform = training_transform(rule.size, seed, light=settings.light)
        self.random = np.random.default_rng(seed)

    def reseed(self, worker: int) -> None:
        """Give each loading process its own randomness."""
        self.random = np.random.default_rng((self.seed, worker, int(torch.initial_seed() % 2**31)))
        self.transform.set_random_seed(int(self.random.integers(2**31)))

    def __len__(self) -> int:
        return len(self.gallery.pictures)

    def __getitem__(self, index: int) -> tuple[Tensor, Tensor, int]:
        picture, mask = self.gallery.pictures[index], self.gallery.masks[index]
        if mask is not None and self.random.random() < self.swap:
            other = int(self.chosen[int(self.random.integers(len(self.chosen)))])
            picture = swap_background(picture, mask, self.gallery.pictures[other])
        if mask is not None and self.near and self.random.random() < self.near:
            picture, mask = trunk_crop(picture, mask, self.random) or (picture, mask)
        drawn = self.transform(image=picture, mask=np.zeros(picture.shape[:2], np.uint8) if mask is None else mask)
        pixels = torch.from_numpy(drawn["image"]).permute(2, 0, 1).float() / 255
        scaled = (pixels - torch.tensor(self.rule.mean)[:, None, None]) / torch.tensor(self.rule.std)[:, None, None]
        share = functional.avg_pool2d(torch.from_numpy(drawn["mask"]).float()[None] / 255, 16)[0]
        return scaled, share if mask is not None else torch.full_like(share, -1.0), index


def _start_worker(worker: int) -> None:
    import cv2

    cv2.setNumThreads(0)
    info = torch.utils.data.get_worker_info()
    torch.set_num_threads(1)
    info.dataset.reseed(worker)  # type: ignore[union-attr]


class _Targets:
    """Labels of all photos on the training device."""

    def __init__(self, labels: Labels, device: torch.device, soft: bool) -> None:
        hard = np.eye(labels.category.shape[1], dtype=np.float32)[labels.category_hard]
        self.category = torch.from_numpy(labels.category if soft else hard).to(device)
        self.band = torch.from_numpy(labels.band).to(device)
        self.breed = torch.from_numpy(labels.breed).to(device)
        self.looks = torch.from_numpy(labels.looks).to(device)


def finetune(
    start: CoatNetwork,
    gallery: Gallery,
    labels: Labels,
    chosen: NDArray[np.int64],
    settings: Finetune,
    *,
    rule: Preprocessing,
    seed: int,
    workers: int,
) -> tuple[CoatNetwork, list[dict[str, float]]]:
    """Train a copy of ``start`` on the chosen photos; return its moving average and the losses by epoch."""
    torch.manual_seed(seed)
    settings = settings.drawn(seed)
    device = start.device
    network = copy.deepcopy(start).to(memory_format=torch.channels_last)
    network.breed = nn.Linear(network.texture.in_features, len(labels.breeds)).to(device)
    teacher = copy.deepcopy(start).eval().to(memory_format=torch.channels_last)
    average = copy.deepcopy(network)
    say = np.zeros(len(labels))
    say[chosen] = class_weights(labels, chosen, settings.class_power)
    loader = DataLoader(
        Drawn(gallery, chosen, rule, settings, seed),
        batch_size=settings.batch,
        sampler=WeightedRandomSampler(say.tolist(), len(chosen), generator=torch.Generator().manual_seed(seed)),
        num_workers=workers,
        drop_last=True,
        persistent_workers=workers > 0,
        worker_init_fn=_start_worker,
    )
    graphed = settings.graphed and device.type == "cuda"
    solver = torch.optim.AdamW(_groups(network, settings), weight_decay=settings.weight_decay, capturable=graphed)
    targets = _Targets(labels, device, settings.soft_labels)
    weights = torch.tensor(settings.loss_weights, device=device)
    network.eval()  # batch norms keep ImageNet's statistics: with batches this small, training them does harm

    def step(batch: list[Tensor]) -> Tensor:
        losses = _losses(network, teacher, batch, targets, settings)
        solver.zero_grad(set_to_none=False)
        (losses * weights).sum().backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        solver.step()
        _follow(average, network, settings.ema)
        return losses.detach()

    run = _recorded(step, solver, next(iter(loader)), device) if graphed else step
    total, done, log = settings.epochs * len(loader), 0, []
    for epoch in range(settings.epochs):
        began, sums = time.perf_counter(), torch.zeros(len(weights), device=device)
        for batch in loader:
            _set_rates(solver, settings, done / total)
            sums += run([part.to(device) for part in batch])
            done += 1
        losses = dict(zip(LOSSES, (round(value / len(loader), 4) for value in sums.tolist()), strict=True))
        log.append({"epoch": epoch, "seconds": round(time.perf_counter() - began, 2), **losses})
    del average.breed
    return average.eval(), log


def _losses(
    network: CoatNetwork, teacher: CoatNetwork, batch: list[Tensor], targets: _Targets, settings: Finetune
) -> Tensor:
    """Texture, kinship, band, mask, breed, looks and keep, each a mean over the batch; (7,)."""
    pictures, share, index = batch[0].contiguous(memory_format=torch.channels_last), batch[1], batch[2]
    with torch.autocast(pictures.device.type, torch.bfloat16, cache_enabled=False):
        with torch.no_grad():
            usual = teacher.imagenet(teacher.maps(pictures)[1].mean((2, 3)))
        fine, coarse = network.maps(pictures)
        mask = network.mask_scores(fine, coarse)
        features = network.coat(network.pool(fine, coarse, mask.sigmoid().detach()))
        imagenet = network.imagenet(features)
        texture, band, breed = network.texture(features), network.band(features), network.breed(features)
        looks = network.looks(features)
    imagenet, usual, mask = imagenet.float(), usual.float(), mask.float()
    seen = imagenet if settings.kinship_gradient else imagenet.detach()
    kinship = network.kinship(network.kinship_inputs(seen))
    known = share >= 0
    cells = functional.binary_cross_entropy_with_logits(mask, share.clamp_min(0), reduction="none")
    return torch.stack(
        [
            soft_cross_entropy(texture.float(), targets.category[index]).mean(),
            soft_cross_entropy(kinship, targets.category[index]).mean(),
            ordinal_cross_entropy(band.float(), targets.band[index]).mean(),
            (cells * known).sum() / known.sum().clamp_min(1),
            functional.cross_entropy(breed.float(), targets.breed[index]),
            looks_cross_entropy(looks.float(), targets.looks[index]).mean(),
            functional.kl_div(imagenet.log_softmax(-1), usual.log_softmax(-1), log_target=True, reduction="batchmean"),
        ]
    )


def _groups(network: CoatNetwork, settings: Finetune) -> list[dict[str, object]]:
    heads = [parameter for name in _HEADS for parameter in getattr(network, name).parameters()]
    known = {id(parameter) for parameter in heads}
    # ImageNet's own classifier stays as it is: it is what the breeds' scores mean.
    fixed = {id(parameter) for parameter in network.backbone.classifier.parameters()}
    body = [parameter for parameter in network.parameters() if id(parameter) not in known | fixed]
    network.backbone.classifier.requires_grad_(False)
    device = network.device
    # Rates are tensors so that a recorded step follows the schedule.
    return [
        {"params": body, "lr": torch.tensor(settings.learning_rate, device=device)},
        {"params": heads, "lr": torch.tensor(settings.head_learning_rate, device=device)},
    ]


def _set_rates(solver: torch.optim.Optimizer, settings: Finetune, progress: float) -> None:
    """Warm up over the first tenth, then fall as a half cosine."""
    factor = min(progress / 0.1, 1.0) * (1 + math.cos(math.pi * progress)) / 2
    for group, rate in zip(solver.param_groups, (settings.learning_rate, settings.head_learning_rate), strict=True):
        group["lr"].fill_(rate * factor)


def _recorded(
    step: Callable[[list[Tensor]], Tensor], solver: torch.optim.Optimizer, batch: list[Tensor], device: torch.device
) -> Callable[[list[Tensor]], Tensor]:
    """The step as a CUDA graph: a small network's step is a thousand tiny kernels, and launching them is the cost."""
    inputs = [part.to(device) for part in batch]
    for group in solver.param_groups:
        group["lr"].zero_()  # nothing moves while the step is rehearsed
    aside = torch.cuda.Stream()  # type: ignore[no-untyped-call]
    aside.wait_stream(torch.cuda.current_stream())
    with torch.cuda.stream(aside):
        for _ in range(3):
            step(inputs)
    torch.cuda.current_stream().wait_stream(aside)
    graph = torch.cuda.CUDAGraph()
    with torch.cuda.graph(graph):
        losses = step(inputs)
    for state in solver.state.values():
        for value in state.values():
            value.zero_()

    def replay(new: list[Tensor]) -> Tensor:
        for part, value in zip(inputs, new, strict=True):
            part.copy_(value)
        graph.replay()
        return losses

    return replay


@torch.no_grad()
def _follow(average: CoatNetwork, network: CoatNetwork, decay: float) -> None:
    torch._foreach_lerp_(list(average.parameters()), list(network.parameters()), 1 - decay)


@torch.no_grad()
def interpolate(start: CoatNetwork, ends: Sequence[CoatNetwork], share: float) -> CoatNetwork:
    """Weights between a start (share 0) and the mean of several ends trained from it (share 1).

    Between the two lies what keeps the start's robustness and takes the ends' gain (Wortsman et al. 2022a,
    arXiv 2109.01903); means of several ends are model soups (Wortsman et al. 2022b, arXiv 2203.05482).
    """
    between = copy.deepcopy(start)
    states = [end.state_dict() for end in ends]
    between.load_state_dict(
        {
            name: value + share * (torch.stack([state[name] for state in states]).mean(0) - value)
            if value.is_floating_point()
            else value
            for name, value in start.state_dict().items()
        }
    )
    return between.eval()
