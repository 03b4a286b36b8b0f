"""The network that is released: one backbone, and everything that is read from it in one pass."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

from coatclass.taxonomy import BANDS, CATEGORIES
from training.image._backbone import IMAGENET_DOGS
from training.image._kinship import kinship_table
from training.image._linear import Linear, ordinal_log_probabilities

_FLAT = 1e-3  # directions with less spread than this share of the widest carry nothing but rounding
_WHITENED = 128  # directions kept for the distance from what was trained on


class CoatNetwork(nn.Module):
    """Backbone, mask, and heads for texture, kinship, band, dog and unfamiliarity.

    Pooled features are two halves: over the whole picture, and over what the mask takes for dog.
    """

    def __init__(self, backbone: nn.Module, *, pool_dog: bool = True) -> None:
        super().__init__()
        self.pool_dog = pool_dog
        self.backbone = backbone
        width = int(backbone.num_features)
        middle = int(backbone.blocks[-3][-1].bn3.num_features)  # the last stage at a sixteenth of the picture's size
        self.mask_coarse = nn.Conv2d(width, 1, 1)
        self.mask_fine = nn.Conv2d(middle, 1, 1)
        self.texture = nn.Linear(2 * width, len(CATEGORIES))
        self.band = nn.Linear(2 * width, len(BANDS) - 1)
        self.kinship = nn.Linear(len(CATEGORIES) + IMAGENET_DOGS.stop - IMAGENET_DOGS.start, len(CATEGORIES))
        self.register_buffer("table", kinship_table())
        self.register_buffer("usual", torch.zeros(width))
        self.register_buffer("whitening", torch.zeros(_WHITENED, width))

    def maps(self, picture: Tensor) -> tuple[Tensor, Tensor]:
        """Feature maps at a sixteenth and at a thirty-second of the picture's size."""
        stem = self.backbone.bn1(self.backbone.conv_stem(picture))
        fine = self.backbone.blocks[:-2](stem)
        return fine, self.backbone.bn2(self.backbone.conv_head(self.backbone.blocks[-2:](fine)))

    def mask_scores(self, fine: Tensor, coarse: Tensor) -> Tensor:
        """Scores (B, rows, columns) at a sixteenth of the picture's size; positive for dog."""
        return (self.mask_fine(fine) + functional.interpolate(self.mask_coarse(coarse), scale_factor=2.0))[:, 0]

    def pool(self, coarse: Tensor, mask: Tensor) -> Tensor:
        """Features (B, 2 x width): mean over the picture, mean over the dog."""
        whole = coarse.mean((2, 3))
        if not self.pool_dog:
            return torch.cat([whole, torch.zeros_like(whole)], 1)
        weight = functional.avg_pool2d(mask[:, None], 2)
        over_dog = (coarse * weight).sum((2, 3)) / (weight.sum((2, 3)) + 1e-3)
        return torch.cat([whole, over_dog], 1)

    def imagenet(self, features: Tensor) -> Tensor:
        """Scores (B, 1000) of ImageNet's classes, from the whole picture as the backbone was trained."""
        return self.backbone.classifier(features[:, : self.usual.shape[0]])

    def kinship_inputs(self, imagenet: Tensor) -> Tensor:
        """What the kinship head sees: log P(category) by the table (B, 7), and the breeds' own scores (B, 118)."""
        breeds = imagenet[:, IMAGENET_DOGS]
        return torch.cat([(breeds.softmax(-1) @ self.table).log(), breeds - breeds.mean(-1, keepdim=True)], 1)

    def unfamiliarity(self, features: Tensor) -> Tensor:
        """Mean squared distance (B,) from the usual features along whitened directions."""
        return (((features[:, : self.usual.shape[0]] - self.usual) @ self.whitening.T) ** 2).mean(-1)

    def read(self, features: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        """Texture (B, 7), kinship (B, 7) and band (B, 4) as log probabilities; dog (B,); unfamiliarity (B,)."""
        imagenet = self.imagenet(features)
        return (
            self.texture(features).log_softmax(-1),
            self.kinship(self.kinship_inputs(imagenet)).log_softmax(-1),
            ordinal_log_probabilities(self.band(features)),
            imagenet.softmax(-1)[:, IMAGENET_DOGS].sum(-1),
            self.unfamiliarity(features),
        )

    def forward(self, picture: Tensor) -> tuple[Tensor, ...]:
        """A prepared picture (B, 3, H, W) to everything in :data:`coatclass.vision._model.OUTPUTS`."""
        fine, coarse = self.maps(picture)
        mask = self.mask_scores(fine, coarse).sigmoid()
        return (*self.read(self.pool(coarse, mask)), mask)

    @torch.no_grad()
    def set_head(self, name: str, fitted: Linear) -> None:
        """Put a fitted linear model into a head."""
        head = getattr(self, name)
        head.weight.copy_(fitted.weight.reshape(head.weight.shape))
        head.bias.copy_(fitted.bias)

    @torch.no_grad()
    def set_familiar(self, features: Tensor) -> None:
        """Learn what is usual from training features (N, 2 x width): whitened principal directions."""
        whole = features[:, : self.usual.shape[0]]
        centre = whole.mean(0)
        _, spread, directions = torch.linalg.svd(whole - centre, full_matrices=False)
        keep = min(_WHITENED, int((spread > _FLAT * spread[0]).sum()))
        self.usual.copy_(centre)
        self.whitening.zero_()
        self.whitening[:keep] = directions[:keep] / (spread[:keep, None] / len(whole) ** 0.5)
