"""The linear heads on pooled features: texture, kinship, band, single dog; and what they say out of fold."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.vision import POOLED, pooled_looks
from training.image.config import Heads
from training.image.labels import Labels
from training.image.linear import Linear, binary_cross_entropy, fit_linear, ordinal_cross_entropy
from training.image.looks import LOOKS, looks_cross_entropy, outline_examples
from training.image.network import CoatNetwork

_SINGLE_STEPS = 60  # solver steps; further ones change nothing


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


def class_weights(labels: Labels, chosen: NDArray[np.int64], power: float) -> NDArray[np.float32]:
    """Say of each chosen photo (n,), raised for rare categories by frequency ** -power, mean 1."""
    counts = np.bincount(labels.category_hard[chosen], minlength=len(CATEGORIES)).clip(1)
    say = labels.weight[chosen] * (counts / counts.sum())[labels.category_hard[chosen]] ** -power
    return (say / say.mean()).astype(np.float32)


def fit_heads(
    network: CoatNetwork, views: list[Tensor], labels: Labels, chosen: NDArray[np.int64], settings: Heads
) -> None:
    """Fit texture, kinship and band on the chosen photos' features; put them into the network.

    Args:
        views: pooled features (N, ...) of all photos, one tensor for each way of looking at them (plain, mirrored).
    """
    device = network.usual.device
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
    """What is learned once all other weights stand: which photos are familiar, and whether there is a single dog.

    The latter can't be trained along: a random crop shows a part of a dog whatever the label says.

    Args:
        features: pooled features (N, ...) of all photos.
    """
    seen = features[chosen].to(network.usual.device)
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
    """From what an observer says of a coat to its category; learned from observed answers, so no photo shapes it."""
    inputs, complete = outline_examples(torch.from_numpy(labels.looks[chosen]).to(device))
    if not complete.any():
        return Linear(torch.zeros(len(CATEGORIES), inputs.shape[1]), torch.zeros(len(CATEGORIES)))
    category = torch.from_numpy(labels.category[chosen]).to(device)[complete]
    say = torch.from_numpy(labels.weight[chosen]).to(device)[complete]
    return fit_linear(inputs[complete], category, say, outputs=len(CATEGORIES), l2=settings.outline_l2)


def read_twice(network: CoatNetwork, whole: Tensor, near: Tensor | None) -> Readings:
    """What the heads say of whole photos, pooled with what they say of the coat from nearer if there is such a look."""
    readings = read_features(network, whole)
    if near is None:
        return readings
    other = read_features(network, near)
    both = {name: pooled_looks(name, getattr(readings, name), getattr(other, name)) for name in POOLED}
    return replace(readings, **both)


@torch.inference_mode()
def read_features(network: CoatNetwork, features: Tensor) -> Readings:
    """What the network's heads say of pooled features (N, ...)."""
    parts = network.read(features.to(network.usual.device))
    return Readings(*(part.cpu().numpy().astype(np.float32) for part in parts))
