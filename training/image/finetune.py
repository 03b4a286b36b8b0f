"""Training of the whole network from its linear probe, by one or several processes; interpolation back to the start."""

from __future__ import annotations

import copy
import itertools
import math
import os
import random
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, distributed, nn
from torch.nn import functional
from torch.nn.parallel import DistributedDataParallel
from torch.utils.data import DataLoader, Dataset

from coatclass.durable import new_file
from coatclass.errors import InputError
from coatclass.vision import Preprocessing
from training.image.config import Finetune
from training.image.heads import class_weights
from training.image.labels import Labels
from training.image.linear import looks_cross_entropy, ordinal_cross_entropy, soft_cross_entropy
from training.image.network import CoatNetwork
from training.image.pictures import Gallery, Pixels, swap_background, training_transform, trunk_crop

LOSSES = ("texture", "kinship", "band", "mask", "breed", "looks", "keep")
_Item = TypeVar("_Item")
_HEADS = ("mask_coarse", "mask_fine", "texture", "band", "kinship", "breed", "looks")
_FITTED_LAST = ("single", "outline")
Example = tuple[Tensor, ...]
"""A picture (3, S, S) as the network sees it, the share of dog on the mask's grid (S/16, S/16; -1 if unknown), and the
targets: category (7,), band (4,), breed (), looks (15,)."""


@dataclass(frozen=True)
class Crew:
    """This process among those that ``torchrun`` started (one, if it did not).

    Attributes:
        gradients: the group that averages gradients where processes share each batch; None where whole trainings are
            shared out, or where there is one process.
    """

    rank: int
    size: int
    device: torch.device
    gradients: distributed.ProcessGroup | None = None

    def share(self, items: Sequence[_Item]) -> Sequence[_Item]:
        """This process's share of the items."""
        return items[self.rank :: self.size]

    def wait(self) -> None:
        """Barrier: wait until all processes are here."""
        if self.size > 1:
            distributed.barrier()

    @property
    def place(self) -> tuple[int, int]:
        """This process's number among those that share a batch, and how many do."""
        return (self.rank, self.size) if self.gradients else (0, 1)

    def sum(self, values: Tensor) -> Tensor:
        """The sum over the processes that share a batch; ``values`` is changed."""
        if self.gradients:
            distributed.all_reduce(values, group=self.gradients)
        return values


def join_crew(*, share_batches: bool = False) -> Crew:
    """Join the processes that ``torchrun`` started, on a GPU if there is one (several processes may share it).

    Args:
        share_batches: whether they will train one network together; all processes must say the same.
    """
    rank, size = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    if size > 1 and not distributed.is_initialized():
        distributed.init_process_group("gloo")  # for barriers: gloo tolerates long waits
    device, gpus = torch.device("cpu"), torch.cuda.device_count()
    if torch.cuda.is_available():
        device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", "0")) % gpus)
        torch.cuda.set_device(device)  # streams and graphs belong to the current device
    if not share_batches or size == 1:
        return Crew(rank, size, device)
    backend = gradient_backend(gpus, int(os.environ.get("LOCAL_WORLD_SIZE", size)))
    group = distributed.new_group(backend=backend)
    assert isinstance(group, distributed.ProcessGroup)
    return Crew(rank, size, device, group)


def gradient_backend(gpus: int, processes: int) -> str:
    """How gradients travel between the processes of a machine: NCCL needs a GPU for each of them."""
    return "nccl" if gpus >= processes else "gloo"


class Augmented:
    """Augmented pictures, each with its own random seed, so results do not depend on which process draws it."""

    def __init__(self, rule: Preprocessing, settings: Finetune) -> None:
        self.swap, self.near = settings.background_swap, settings.trunk_crops
        self.transform = training_transform(rule.size, 0, light=settings.light)
        self.mean, self.std = (torch.tensor(values)[:, None, None] for values in (rule.mean, rule.std))

    def __call__(
        self, picture: Pixels, mask: Pixels | None, ground: Callable[[np.random.Generator], Pixels], seed: Sequence[int]
    ) -> tuple[Tensor, Tensor]:
        """Picture and share of dog as in :data:`Example`.

        Args:
            picture: (H, W, 3).
            mask: (H, W), 0 background to 255 dog.
            ground: another picture, whose colours may become the background; asked for only where it does.
            seed: numbers that no other picture of this training shares.
        """
        draw = np.random.default_rng(seed)
        self.transform.set_random_state(draw, random.Random(int(draw.integers(2**63))))
        if mask is not None and draw.random() < self.swap:
            picture = swap_background(picture, mask, ground(draw))
        if mask is not None and self.near and draw.random() < self.near:
            picture, mask = trunk_crop(picture, mask, draw) or (picture, mask)
        seen = self.transform(image=picture, mask=np.zeros(picture.shape[:2], np.uint8) if mask is None else mask)
        pixels = torch.from_numpy(seen["image"]).permute(2, 0, 1).float() / 255
        share = functional.avg_pool2d(torch.from_numpy(seen["mask"]).float()[None] / 255, 16)[0]
        return (pixels - self.mean) / self.std, share if mask is not None else torch.full_like(share, -1.0)


class Drawn(Dataset[Example]):
    """Examples by (number of the draw, photo); other backgrounds come from photos that may be learned from, too."""

    def __init__(
        self,
        gallery: Gallery,
        labels: Labels,
        chosen: NDArray[np.int64],
        *,
        rule: Preprocessing,
        settings: Finetune,
        seed: int,
    ) -> None:
        self.gallery, self.chosen, self.seed = gallery, chosen, seed
        self.augmented = Augmented(rule, settings)
        hard = np.eye(labels.category.shape[1], dtype=np.float32)[labels.category_hard]
        category = labels.category if settings.soft_labels else hard
        self.targets = [torch.from_numpy(part) for part in (category, labels.band, labels.breed, labels.looks)]

    def __getitem__(self, drawn: tuple[int, int]) -> Example:
        number, photo = drawn

        def ground(draw: np.random.Generator) -> Pixels:
            return self.gallery.pictures[int(self.chosen[int(draw.integers(len(self.chosen)))])]

        picture, mask = self.gallery.pictures[photo], self.gallery.masks[photo]
        seen = self.augmented(picture, mask, ground, (self.seed, number))
        return (*seen, *(part[photo] for part in self.targets))


class Draws:
    """Batches of (number of the draw, photo), by weight and with replacement, one epoch after the other.

    Of each batch this process gets its share: whatever their number, processes draw the same batches together.
    """

    def __init__(self, weight: Tensor, number: int, batch: int, *, seed: int, place: tuple[int, int]) -> None:
        if batch % place[1]:
            raise InputError(
                "batch", f"of {batch} can't be shared evenly by {place[1]} processes.", "Change one of them."
            )
        self.weight, self.number, self.batch, self.place = weight, number, batch, place
        self.generator, self.done = torch.Generator().manual_seed(seed), 0

    def __len__(self) -> int:
        return self.number // self.batch

    def __iter__(self) -> Iterator[list[tuple[int, int]]]:
        rank, size = self.place
        photos = torch.multinomial(self.weight, self.number, True, generator=self.generator).tolist()
        drawn, self.done = list(enumerate(photos, self.done)), self.done + self.number
        for batch in range(len(self)):
            yield drawn[batch * self.batch : (batch + 1) * self.batch][rank::size]


def gallery_batches(
    gallery: Gallery,
    labels: Labels,
    chosen: NDArray[np.int64],
    settings: Finetune,
    *,
    rule: Preprocessing,
    seed: int,
    workers: int,
    place: tuple[int, int] = (0, 1),
) -> DataLoader[Example]:
    """This process's share of each batch of one training on the chosen photos."""
    weight = np.zeros(len(labels))
    weight[chosen] = class_weights(labels, chosen, settings.class_power)
    return DataLoader(
        Drawn(gallery, labels, chosen, rule=rule, settings=settings, seed=seed),
        batch_sampler=Draws(torch.from_numpy(weight), len(chosen), settings.batch, seed=seed, place=place),
        num_workers=workers,
        persistent_workers=workers > 0,
        worker_init_fn=start_worker,
    )


def start_worker(worker: int) -> None:
    """Keep a loading process to one thread."""
    import cv2

    cv2.setNumThreads(0)
    torch.set_num_threads(1)


def finetune(
    start: CoatNetwork,
    batches: Iterable[Sequence[Tensor]],
    settings: Finetune,
    *,
    breeds: int,
    steps: int,
    seed: int,
    crew: Crew,
    checkpoint: Path | None = None,
) -> tuple[CoatNetwork, list[dict[str, float]]]:
    """Train a copy of ``start``; return its moving average and the losses by epoch.

    Processes that share batches average their gradients, and end with the same network each.

    Args:
        batches: :data:`Example` by batch; iterated once an epoch.
        breeds: number of breeds that the targets name.
        steps: batches an epoch.
        checkpoint: where the state after each epoch is kept; an interrupted training continues from it.
    """
    torch.manual_seed(seed)
    device = start.device
    network = copy.deepcopy(start).to(memory_format=torch.channels_last)
    network.breed = nn.Linear(network.texture.in_features, breeds).to(device)
    average = copy.deepcopy(network)
    teacher = copy.deepcopy(start).eval().to(memory_format=torch.channels_last)
    objective: nn.Module = _Objective(network, teacher, settings, crew)
    solver_groups = _groups(network, settings)
    network.eval()  # batch norms keep ImageNet's statistics: with batches this small, training them does harm
    graphed = settings.graphed and device.type == "cuda" and crew.gradients is None
    if crew.gradients:
        objective = DistributedDataParallel(objective, process_group=crew.gradients, broadcast_buffers=False)
    solver = torch.optim.AdamW(solver_groups, weight_decay=settings.weight_decay, capturable=graphed)
    weights = torch.tensor(settings.loss_weights, device=device)
    log: list[dict[str, float]] = []
    if checkpoint and checkpoint.is_file():
        found = torch.load(checkpoint, map_location=device, weights_only=True)
        network.load_state_dict(found["network"])
        average.load_state_dict(found["average"])
        solver.load_state_dict(found["solver"])
        log = found["log"]

    def step(batch: Sequence[Tensor]) -> Tensor:
        losses: Tensor = objective(*batch)
        solver.zero_grad(set_to_none=False)
        (losses * weights).sum().backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        solver.step()
        _follow(average, network, settings.ema)
        return losses.detach()

    run: Callable[[Sequence[Tensor]], Tensor] = step
    done = len(log) * steps
    for epoch in range(len(log), settings.epochs):
        began, sums = time.perf_counter(), torch.zeros(len(weights), device=device)
        for batch in itertools.islice(batches, steps):
            _set_rates(solver, settings, done / (settings.epochs * steps))
            here = [part.to(device) for part in batch]
            if graphed and run is step:
                run = _recorded(step, solver, here)
            sums += run(here)
            done += 1
        means = crew.sum(sums) / (steps * crew.place[1])
        losses = dict(zip(LOSSES, (round(value, 4) for value in means.tolist()), strict=True))
        log.append({"epoch": epoch, "seconds": round(time.perf_counter() - began, 2), **losses})
        if checkpoint and crew.place[0] == 0:
            state = {"network": network.state_dict(), "average": average.state_dict(), "solver": solver.state_dict()}
            with new_file(checkpoint) as stream:
                torch.save({**state, "log": log}, stream)
    del average.breed
    return average.eval(), log


class _Objective(nn.Module):
    """From a batch of :data:`Example` to the seven losses; a module, as it is one whose gradients can be averaged."""

    def __init__(self, network: CoatNetwork, teacher: CoatNetwork, settings: Finetune, crew: Crew) -> None:
        super().__init__()
        self.network, self.teacher = network, teacher.requires_grad_(False)
        self.settings, self.crew = settings, crew

    def forward(self, pictures: Tensor, share: Tensor, *targets: Tensor) -> Tensor:
        """Texture, kinship, band, mask, breed, looks and keep (7,); their mean over processes is the whole batch's."""
        network, (of_category, of_band, of_breed, of_looks) = self.network, targets
        pictures = pictures.contiguous(memory_format=torch.channels_last)
        with torch.autocast(pictures.device.type, torch.bfloat16, self.settings.bfloat16, cache_enabled=False):
            with torch.no_grad():
                usual = self.teacher.imagenet(self.teacher.maps(pictures)[1].mean((2, 3)))
            fine, coarse = network.maps(pictures)
            mask = network.mask_scores(fine, coarse)
            features = network.coat(network.pool(fine, coarse, mask.sigmoid().detach()))
            imagenet = network.imagenet(features)
            texture, band, breed = network.texture(features), network.band(features), network.breed(features)
            looks = network.looks(features)
        imagenet, usual, mask = imagenet.float(), usual.float(), mask.float()
        seen = imagenet if self.settings.kinship_gradient else imagenet.detach()
        kinship = network.kinship(network.kinship_inputs(seen))
        known = share >= 0
        cells = functional.binary_cross_entropy_with_logits(mask, share.clamp_min(0), reduction="none")
        # Not every process has as many known cells as the others.
        known_here = self.crew.sum(known.sum(dtype=torch.float32)) / self.crew.place[1]
        return torch.stack(
            [
                soft_cross_entropy(texture.float(), of_category).mean(),
                soft_cross_entropy(kinship, of_category).mean(),
                ordinal_cross_entropy(band.float(), of_band).mean(),
                (cells * known).sum() / known_here.clamp_min(1 / self.crew.place[1]),
                functional.cross_entropy(breed.float(), of_breed),
                looks_cross_entropy(looks.float(), of_looks).mean(),
                functional.kl_div(
                    imagenet.log_softmax(-1), usual.log_softmax(-1), log_target=True, reduction="batchmean"
                ),
            ]
        )


def _groups(network: CoatNetwork, settings: Finetune) -> list[dict[str, object]]:
    heads = [parameter for name in _HEADS for parameter in getattr(network, name).parameters()]
    known = {id(parameter) for parameter in heads}
    # ImageNet's own classifier stays as it is: it is what the breeds' scores mean.
    network.backbone.classifier.requires_grad_(False)
    for name in _FITTED_LAST:
        getattr(network, name).requires_grad_(False)
    body = [parameter for parameter in network.parameters() if parameter.requires_grad and id(parameter) not in known]
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
    step: Callable[[Sequence[Tensor]], Tensor],
    solver: torch.optim.Optimizer,
    batch: Sequence[Tensor],
) -> Callable[[Sequence[Tensor]], Tensor]:
    """The step as a CUDA graph: a small network's step is a thousand tiny kernels, and launching them is the cost."""
    inputs = [part.clone() for part in batch]
    rates = [group["lr"].clone() for group in solver.param_groups]
    for group in solver.param_groups:
        group["lr"].zero_()  # learning rate 0 while the step is recorded
    before = {of: {name: value.clone() for name, value in state.items()} for of, state in solver.state.items()}
    aside = torch.cuda.Stream()  # type: ignore[no-untyped-call]
    aside.wait_stream(torch.cuda.current_stream())
    with torch.cuda.stream(aside):
        for _ in range(3):
            step(inputs)
    torch.cuda.current_stream().wait_stream(aside)
    graph = torch.cuda.CUDAGraph()
    with torch.cuda.graph(graph):
        losses = step(inputs)
    for of, state in solver.state.items():
        for name, value in state.items():
            value.copy_(before[of][name]) if of in before else value.zero_()
    for group, rate in zip(solver.param_groups, rates, strict=True):
        group["lr"].copy_(rate)

    def replay(new: Sequence[Tensor]) -> Tensor:
        for part, value in zip(inputs, new, strict=True):
            part.copy_(value)
        graph.replay()
        return losses

    return replay


@torch.no_grad()
def _follow(average: CoatNetwork, network: CoatNetwork, decay: float) -> None:
    torch._foreach_lerp_(list(average.parameters()), list(network.parameters()), 1 - decay)


@torch.no_grad()
def interpolate(start: CoatNetwork, ends: Sequence[Mapping[str, Tensor]], share: float) -> CoatNetwork:
    """Weights between a start (share 0) and the mean of several ends trained from it (share 1, their states).

    Between the two lies what keeps the start's robustness and takes the ends' gain (Wortsman et al. 2022a,
    arXiv 2109.01903); means of several ends are model soups (Wortsman et al. 2022b, arXiv 2203.05482).
    """
    between = copy.deepcopy(start)
    for name, value in between.state_dict().items():
        if value.is_floating_point():
            value.add_(share * (torch.stack([end[name] for end in ends]).mean(0) - value))
    return between.eval()
