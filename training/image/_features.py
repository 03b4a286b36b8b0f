"""Pooled features of many photos, and the mask fitted on the trimaps."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from training.image._linear import Linear, binary_cross_entropy, fit_linear
from training.image._network import CoatNetwork
from training.image._pictures import Prepared

_MASK_CELLS = 48  # cells drawn from each trimap: neighbours say the same


@torch.inference_mode()
def pooled(network: CoatNetwork, prepared: Prepared, *, flip: bool = False) -> tuple[Tensor, Tensor]:
    """Features (N, 2 x width) and share of dog (N,) of all photos; of their mirror images if ``flip``."""
    network.eval()
    device = network.usual.device
    features = torch.zeros(len(prepared.tensors), 2 * network.usual.shape[0])
    share = torch.zeros(len(prepared.tensors))
    for indices, batch in prepared.batches(range(len(prepared.tensors))):
        pictures = batch.to(device)
        fine, coarse = network.maps(pictures.flip(-1) if flip else pictures)
        mask = network.mask_scores(fine, coarse).sigmoid()
        features[indices] = network.pool(coarse, mask).cpu()
        share[indices] = mask.mean((1, 2)).cpu()
    return features, share


@torch.inference_mode()
def mask_cells(
    network: CoatNetwork, prepared: Prepared, grids: dict[int, Tensor], seed: int
) -> tuple[Tensor, Tensor]:
    """Feature vectors of random cells (M, middle + width) and their share of dog (M, 1)."""
    network.eval()
    draw = torch.Generator().manual_seed(seed)
    inputs, targets = [], []
    for indices, batch in prepared.batches(list(grids)):
        fine, coarse = network.maps(batch.to(network.usual.device))
        cells = torch.cat([fine, functional.interpolate(coarse, scale_factor=2.0)], 1).flatten(2).cpu()
        for index, vectors in zip(indices, cells, strict=True):
            chosen = torch.randperm(vectors.shape[1], generator=draw)[:_MASK_CELLS]
            inputs.append(vectors[:, chosen].T)
            targets.append(grids[index].flatten()[chosen, None])
    return torch.cat(inputs), torch.cat(targets)


def fit_mask(network: CoatNetwork, prepared: Prepared, grids: dict[int, Tensor], *, l2: float, seed: int) -> None:
    """Fit the segmentation head on the trimaps and put it into the network."""
    device = network.usual.device
    inputs, target = (part.to(device).clone() for part in mask_cells(network, prepared, grids, seed))
    say = torch.ones(len(inputs), device=device)
    fitted = fit_linear(inputs, target, say, loss=binary_cross_entropy, outputs=1, l2=l2)
    middle = network.mask_fine.in_channels
    network.set_head("mask_fine", Linear(fitted.weight[:, :middle], fitted.bias))
    network.set_head("mask_coarse", Linear(fitted.weight[:, middle:], torch.zeros(1, device=device)))
