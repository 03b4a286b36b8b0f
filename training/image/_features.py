"""Running a network over many photos: batches of equal shape, pooled features, and the mask fitted on the trimaps."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor
from torch.nn import functional

from coatclass.vision import Preprocessing
from training.image._linear import Linear, binary_cross_entropy, fit_linear
from training.image._network import CoatNetwork
from training.image._pictures import tensor, trimap_grid

_BATCH = 32
_MASK_CELLS = 48  # cells drawn from each trimap: neighbours say the same


@dataclass(frozen=True)
class Prepared:
    """Photos as the network's inputs, uint-free and in memory: one (3, H, W) float16 tensor each."""

    tensors: tuple[Tensor, ...]

    def batches(self, chosen: Sequence[int], size: int = _BATCH) -> Iterator[tuple[list[int], Tensor]]:
        """Batches of equal shape: (indices, (B, 3, H, W) float32)."""
        shapes: dict[tuple[int, ...], list[int]] = defaultdict(list)
        for index in chosen:
            shapes[tuple(self.tensors[index].shape)].append(int(index))
        for alike in shapes.values():
            for start in range(0, len(alike), size):
                part = alike[start : start + size]
                yield part, torch.stack([self.tensors[index] for index in part]).float()


def prepare(files: Sequence[Path], rule: Preprocessing, workers: int = 2) -> Prepared:
    """Decode and resize photos by the run-time path."""
    with ThreadPoolExecutor(workers) as pool:
        return Prepared(tuple(pool.map(lambda file: torch.from_numpy(tensor(file, rule)[0]).half(), files)))


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


def read_grids(photos: Path, stems: dict[int, str], prepared: Prepared) -> dict[int, Tensor]:
    """The trimaps that exist, as grids of dog share by index of the photo."""
    return {
        index: torch.from_numpy(trimap_grid(path, (prepared.tensors[index].shape[2], prepared.tensors[index].shape[1])))
        for index, stem in stems.items()
        if (path := photos / "trimaps" / f"{stem}.png").is_file()
    }
