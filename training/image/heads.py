"""Pooled features of many photos, the linear heads fitted on them, and what the heads say out of fold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional

from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.vision import POOLED, Preprocessing, SecondLook, around_dog, both_looks
from training.image.config import Heads
from training.image.labels import Labels
from training.image.linear import (
    LOOKS,
    Linear,
    binary_cross_entropy,
    fit_linear,
    looks_cross_entropy,
    ordinal_cross_entropy,
    outline_examples,
)
from training.image.network import CoatNetwork, session_of
from training.image.pictures import Gallery, Prepared, prepare

Maps = dict[int, tuple[Tensor, Tensor]]  # the feature maps of each photo, fine and coarse, each (1, C, rows, columns)

_MASK_CELLS = 48  # cells sampled from each trimap: neighbours are redundant
_MASK_STEPS = 60  # solver steps; there are far more cells than weights
_SINGLE_STEPS = 60  # solver steps; more change nothing
_BATCH = {"cpu": 4, "cuda": 64}  # small batches keep memory in the caches of a CPU; a GPU wants large ones


@torch.inference_mode()
def all_maps(network: CoatNetwork, prepared: Prepared, *, flip: bool = False) -> Maps:
    """Feature maps of all photos, in memory (about 0.4 MB each); of their mirror images if ``flip``.

    A backbone that stays as it is need be run only once. On a CPU, ONNX Runtime does it, as in the program: half the
    time of torch.
    """
    network.eval()
    found: Maps = {}
    for indices, fine, coarse in _run(network, prepared, flip):
        for place, index in enumerate(indices):
            found[index] = fine[place : place + 1].clone(), coarse[place : place + 1].clone()
    return found


def _run(network: CoatNetwork, prepared: Prepared, flip: bool) -> Iterator[tuple[list[int], Tensor, Tensor]]:
    device = network.device
    session = _session(network) if device.type == "cpu" else None
    for indices, batch in prepared.batches(range(len(prepared.tensors)), _BATCH[device.type]):
        pictures = batch.flip(-1) if flip else batch
        if session is None:
            fine, coarse = network.maps(pictures.to(device))
            yield indices, fine.cpu(), coarse.cpu()
        else:
            fine, coarse = session.run(None, {"picture": pictures.numpy()})
            yield indices, torch.from_numpy(fine), torch.from_numpy(coarse)


class _MapsOnly(nn.Module):
    """The network up to its feature maps, for export."""

    def __init__(self, network: CoatNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, picture: Tensor) -> tuple[Tensor, Tensor]:
        return self.network.maps(picture)


def _session(network: CoatNetwork):  # type: ignore[no-untyped-def]  # ONNX Runtime has no types
    return session_of(
        _MapsOnly(network),
        {
            "fine": {0: "batch", 2: "rows", 3: "columns"},
            "coarse": {0: "batch", 2: "half_rows", 3: "half_columns"},
        },
    )


@torch.inference_mode()
def pooled_maps(network: CoatNetwork, maps: Maps) -> tuple[Tensor, Tensor]:
    """Pooled features (N, ...) and share of dog (N,) of photos 0 to N - 1, from their feature maps."""
    device = network.device
    features = torch.zeros(len(maps), network.pooled_width)
    share = torch.zeros(len(maps))
    for index, (fine, coarse) in maps.items():
        maps_here = fine.to(device), coarse.to(device)
        mask = network.mask_scores(*maps_here).sigmoid()
        features[index] = network.pool(*maps_here, mask)[0].cpu()
        share[index] = mask.mean().cpu()
    return features, share


@torch.inference_mode()
def pooled(network: CoatNetwork, prepared: Prepared) -> tuple[Tensor, Tensor]:
    """Pooled features (N, ...) and share of dog (N,) of all photos, by a network that is used this once."""
    network.eval()
    device = network.device
    features = torch.zeros(len(prepared.tensors), network.pooled_width)
    share = torch.zeros(len(prepared.tensors))
    for indices, batch in prepared.batches(range(len(prepared.tensors))):
        fine, coarse = network.maps(batch.to(device))
        mask = network.mask_scores(fine, coarse).sigmoid()
        features[indices] = network.pool(fine, coarse, mask).cpu()
        share[indices] = mask.mean((1, 2)).cpu()
    return features, share


@torch.inference_mode()
def pooled_near(
    network: CoatNetwork, gallery: Gallery, prepared: Prepared, rule: Preprocessing, chosen: NDArray[np.int64]
) -> Tensor:
    """Pooled features (n, ...) of what the dog fills of the chosen photos, by the network's own mask of the first look.

    Of the whole photo where there is no dog in the mask.

    Args:
        prepared: all photos as the first look sees them.
    """
    network.eval()
    device = network.device
    near = {int(index): gallery.pictures[index] for index in chosen}
    for indices, batch in prepared.batches(list(near)):
        masks = network.mask_scores(*network.maps(batch.to(device))).sigmoid().cpu().numpy()
        for index, mask in zip(indices, masks, strict=True):
            height, width = near[index].shape[:2]
            left, top, right, bottom = around_dog(width, height, mask) or (0, 0, width, height)
            near[index] = near[index][top:bottom, left:right]
    return pooled(network, prepare(list(near.values()), rule))[0]


@torch.inference_mode()
def mask_cells(maps: Maps, grids: dict[int, Tensor], seed: int) -> tuple[Tensor, Tensor]:
    """Feature vectors of random cells (M, middle + width) and their share of dog (M, 1)."""
    draw = torch.Generator().manual_seed(seed)
    inputs, targets = [], []
    for index, grid in grids.items():
        fine, coarse = maps[index]
        vectors = torch.cat([fine, functional.interpolate(coarse, scale_factor=2.0)], 1)[0].flatten(1)
        chosen = torch.randperm(vectors.shape[1], generator=draw)[:_MASK_CELLS]
        inputs.append(vectors[:, chosen].T)
        targets.append(grid.flatten()[chosen, None])
    return torch.cat(inputs), torch.cat(targets)


def fit_mask(network: CoatNetwork, maps: Maps, grids: dict[int, Tensor], *, l2: float, seed: int) -> None:
    """Fit the segmentation head on the trimaps and put it into the network."""
    device = network.device
    inputs, target = (part.to(device).clone() for part in mask_cells(maps, grids, seed))
    say = torch.ones(len(inputs), device=device)
    fitted = fit_linear(inputs, target, say, loss=binary_cross_entropy, outputs=1, l2=l2, steps=_MASK_STEPS)
    middle = network.mask_fine.in_channels
    network.set_head("mask_fine", Linear(fitted.weight[:, :middle], fitted.bias))
    network.set_head("mask_coarse", Linear(fitted.weight[:, middle:], torch.zeros(1, device=device)))


@dataclass(frozen=True)
class Readings:
    """What a network says of N photos: log probabilities of the category (N, 7) by three routes (texture, kinship,
    outline) and of the band (N, 4); looks (N, 14); (N,) each of the others.
    """

    texture: NDArray[np.float32]
    kinship: NDArray[np.float32]
    band: NDArray[np.float32]
    dog_probability: NDArray[np.float32]
    unfamiliarity: NDArray[np.float32]
    single_dog_probability: NDArray[np.float32]
    dog_margin: NDArray[np.float32]
    looks: NDArray[np.float32]
    outline: NDArray[np.float32]


@dataclass(frozen=True)
class Looked:
    """What a network says of N photos.

    Attributes:
        said: by both looks, as at run time.
        first: by the first look.
        near: by the second; rows of NaN where it was not taken. None where the configuration asks for none.
        dog_share: share of dog (N,) in the first look's mask.
    """

    said: Readings
    first: Readings
    near: Readings | None
    dog_share: NDArray[np.float32]


def class_weights(labels: Labels, chosen: NDArray[np.int64], power: float) -> NDArray[np.float32]:
    """Weight of each chosen photo (n,), raised for rare categories by frequency ** -power, mean 1."""
    counts = np.bincount(labels.category_hard[chosen], minlength=len(CATEGORIES)).clip(1)
    say = labels.weight[chosen] * (counts / counts.sum())[labels.category_hard[chosen]] ** -power
    scaled: NDArray[np.float32] = (say / say.mean()).astype(np.float32)
    return scaled


def fit_heads(
    network: CoatNetwork, views: list[Tensor], labels: Labels, chosen: NDArray[np.int64], settings: Heads
) -> None:
    """Fit texture, kinship and band on the chosen photos' features; put them into the network.

    Args:
        views: pooled features (N, ...) of all photos, one tensor for each way of looking at them (plain, mirrored).
    """
    device = network.device
    features = torch.cat([view[chosen] for view in views]).to(device)
    coat = network.coat(features)
    say = torch.from_numpy(np.tile(class_weights(labels, chosen, settings.class_power), len(views))).to(device)
    category = torch.from_numpy(np.tile(labels.category[chosen], (len(views), 1))).to(device)
    band = torch.from_numpy(np.tile(labels.band[chosen], (len(views), 1))).to(device)
    visible = band.sum(1)
    network.set_head("texture", fit_linear(coat, category, say, outputs=len(CATEGORIES), l2=settings.texture_l2))
    with torch.inference_mode():
        breeds = network.kinship_inputs(network.imagenet(features))
    network.set_head(
        "kinship", fit_linear(breeds.clone(), category, say, outputs=len(CATEGORIES), l2=settings.kinship_l2)
    )
    network.set_head(
        "band",
        fit_linear(coat, band, say * visible, loss=ordinal_cross_entropy, outputs=len(BANDS) - 1, l2=settings.band_l2),
    )
    looks = torch.from_numpy(np.tile(labels.looks[chosen], (len(views), 1))).to(device)
    network.set_head(
        "looks", fit_linear(coat, looks, say, loss=looks_cross_entropy, outputs=LOOKS, l2=settings.looks_l2)
    )


def fit_last(
    network: CoatNetwork, features: Tensor, labels: Labels, chosen: NDArray[np.int64], settings: Heads
) -> None:
    """Fitted once all other weights are final: which photos are familiar, and whether there is a single dog.

    The latter can't be trained along: a random crop shows a part of a dog whatever the label says.

    Args:
        features: pooled features (N, ...) of all photos.
    """
    seen = features[chosen].to(network.device)
    single = torch.from_numpy(labels.single[chosen, None]).to(seen.device)
    say = torch.ones(len(seen), device=seen.device)
    network.set_head(
        "single",
        fit_linear(seen, single, say, loss=binary_cross_entropy, outputs=1, l2=settings.single_l2, steps=_SINGLE_STEPS),
    )
    network.set_familiar(seen)
    network.set_head("outline", fit_outline(labels, chosen, settings, seen.device))


def fit_outline(
    labels: Labels, chosen: NDArray[np.int64], settings: Heads, device: torch.device | str = "cpu"
) -> Linear:
    """Fit the step from an observer's answers to the category; it uses observed answers only, no photos."""
    inputs, complete = outline_examples(torch.from_numpy(labels.looks[chosen]).to(device))
    if not complete.any():
        return Linear(torch.zeros(len(CATEGORIES), inputs.shape[1]), torch.zeros(len(CATEGORIES)))
    category = torch.from_numpy(labels.category[chosen]).to(device)[complete]
    say = torch.from_numpy(labels.weight[chosen]).to(device)[complete]
    return fit_linear(inputs[complete], category, say, outputs=len(CATEGORIES), l2=settings.outline_l2)


def read_twice(first: Readings, near: Readings, rule: SecondLook) -> Readings:
    """What is said of N photos by one look or both; of those with NaN in ``near`` by the first."""
    one, two = ({name: getattr(look, name) for name in POOLED} for look in (first, near))
    return replace(first, **both_looks(rule, one, two))


@torch.inference_mode()
def read_features(network: CoatNetwork, features: Tensor) -> Readings:
    """What the network's heads say of pooled features (N, ...)."""
    parts = network.read(features.to(network.device))
    return Readings(*(part.cpu().numpy().astype(np.float32) for part in parts))
