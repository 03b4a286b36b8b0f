"""Pooled features of many photos, and the mask fitted on the trimaps."""

from __future__ import annotations

from collections.abc import Iterator

import torch
from torch import Tensor, nn
from torch.nn import functional

from coatclass.vision import Preprocessing, around_dog
from training.image.export import session_of
from training.image.linear import Linear, binary_cross_entropy, fit_linear
from training.image.network import CoatNetwork
from training.image.pictures import Gallery, Prepared, prepare

Maps = dict[int, tuple[Tensor, Tensor]]  # the feature maps of each photo, fine and coarse, each (1, C, rows, columns)

_MASK_CELLS = 48  # cells drawn from each trimap: neighbours say the same
_MASK_STEPS = 60  # solver steps; there are far more cells than weights
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
    device = network.usual.device
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
    device = network.usual.device
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
    device = network.usual.device
    features = torch.zeros(len(prepared.tensors), network.pooled_width)
    share = torch.zeros(len(prepared.tensors))
    for indices, batch in prepared.batches(range(len(prepared.tensors))):
        fine, coarse = network.maps(batch.to(device))
        mask = network.mask_scores(fine, coarse).sigmoid()
        features[indices] = network.pool(fine, coarse, mask).cpu()
        share[indices] = mask.mean((1, 2)).cpu()
    return features, share


@torch.inference_mode()
def pooled_near(network: CoatNetwork, gallery: Gallery, prepared: Prepared, rule: Preprocessing) -> Tensor:
    """Pooled features (N, ...) of what the dog fills of each photo, by the network's own mask; of all where none is."""
    device = network.usual.device
    near = list(gallery.pictures)
    for indices, batch in prepared.batches(range(len(prepared.tensors))):
        masks = network.mask_scores(*network.maps(batch.to(device))).sigmoid().cpu().numpy()
        for index, mask in zip(indices, masks, strict=True):
            height, width = near[index].shape[:2]
            left, top, right, bottom = around_dog(width, height, mask) or (0, 0, width, height)
            near[index] = near[index][top:bottom, left:right]
    return pooled(network, prepare(near, rule))[0]


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
    device = network.usual.device
    inputs, target = (part.to(device).clone() for part in mask_cells(maps, grids, seed))
    say = torch.ones(len(inputs), device=device)
    fitted = fit_linear(inputs, target, say, loss=binary_cross_entropy, outputs=1, l2=l2, steps=_MASK_STEPS)
    middle = network.mask_fine.in_channels
    network.set_head("mask_fine", Linear(fitted.weight[:, :middle], fitted.bias))
    network.set_head("mask_coarse", Linear(fitted.weight[:, middle:], torch.zeros(1, device=device)))
