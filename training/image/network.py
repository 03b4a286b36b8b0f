"""The network that is released: one backbone, and everything that is read from it in one pass."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

from coatclass.taxonomy import BANDS, CATEGORIES
from training.image.backbone import IMAGENET_DOGS, IMAGENET_RIVALS
from training.image.kinship import kinship_table
from training.image.linear import Linear, ordinal_log_probabilities
from training.image.looks import LOOKS, log_probabilities, outline_inputs

_DIRECTIONS = 128  # principal directions in which likeness is measured: fewer bytes, and breeds apart no less
_NEIGHBOURS = 3  # the likest training photos whose mean likeness counts: one alone may be a chance
_RARELY = 0.003  # share of the training photos' dogs that may lose to each kind of rival


class CoatNetwork(nn.Module):
    """Backbone, mask, and heads for texture, kinship, band, dog, unfamiliarity and a single dog.

    Pooled features are the coat's and the scene's. The coat's are two halves of ``width`` each: the mean over the whole
    picture, and the mean over what the mask takes for dog (``second="dog"``) or the spread over the picture
    (``"spread"``); ``"none"`` leaves the second half at 0. The scene's are mean and spread of the finer maps,
    ``middle`` each: several dogs, or a part of one, vary otherwise over the picture than one dog that stands in its
    middle.
    """

    def __init__(self, backbone: nn.Module, *, second: str = "dog") -> None:
        super().__init__()
        self.second = second
        self.backbone = backbone
        width = int(backbone.num_features)
        middle = int(backbone.blocks[-3][-1].bn3.num_features)  # the last stage at a sixteenth of the picture's size
        self.mask_coarse = nn.Conv2d(width, 1, 1)
        self.mask_fine = nn.Conv2d(middle, 1, 1)
        self.texture = nn.Linear(2 * width, len(CATEGORIES))
        self.band = nn.Linear(2 * width, len(BANDS) - 1)
        self.kinship = nn.Linear(len(CATEGORIES) + IMAGENET_DOGS.stop - IMAGENET_DOGS.start, len(CATEGORIES))
        self.single = nn.Linear(2 * width + 2 * middle, 1)
        self.register_buffer("table", kinship_table())
        self.looks = nn.Linear(2 * width, LOOKS)
        self.outline = nn.Linear(LOOKS + 1, len(CATEGORIES))
        self.register_buffer("rivals", torch.zeros(len(IMAGENET_RIVALS)))
        self.register_buffer("usual", torch.zeros(width))
        self.register_buffer("directions", torch.zeros(_DIRECTIONS, width))
        self.register_buffer("remembered", torch.zeros(0, _DIRECTIONS))

    @property
    def width(self) -> int:
        """Number of features of the coarse maps."""
        return int(self.usual.shape[0])

    @property
    def pooled_width(self) -> int:
        """Number of pooled features."""
        return int(self.single.in_features)

    def maps(self, picture: Tensor) -> tuple[Tensor, Tensor]:
        """Feature maps at a sixteenth and at a thirty-second of the picture's size."""
        stem = self.backbone.bn1(self.backbone.conv_stem(picture))
        fine = self.backbone.blocks[:-2](stem)
        return fine, self.backbone.bn2(self.backbone.conv_head(self.backbone.blocks[-2:](fine)))

    def mask_scores(self, fine: Tensor, coarse: Tensor) -> Tensor:
        """Scores (B, rows, columns) at a sixteenth of the picture's size; positive for dog."""
        return (self.mask_fine(fine) + functional.interpolate(self.mask_coarse(coarse), scale_factor=2.0))[:, 0]

    def pool(self, fine: Tensor, coarse: Tensor, mask: Tensor) -> Tensor:
        """Pooled features (B, 2 x width + 2 x middle): the coat's over picture and dog, the scene's mean and spread."""
        cells = fine.flatten(2)
        scene = [cells.mean(2), cells.std(2)]
        whole = coarse.mean((2, 3))
        if self.second == "none":
            return torch.cat([whole, torch.zeros_like(whole), *scene], 1)
        if self.second == "spread":
            return torch.cat([whole, coarse.flatten(2).std(2), *scene], 1)
        weight = functional.avg_pool2d(mask[:, None], 2)
        over_dog = (coarse * weight).sum((2, 3)) / (weight.sum((2, 3)) + 1e-3)
        return torch.cat([whole, over_dog, *scene], 1)

    def coat(self, features: Tensor) -> Tensor:
        """The coat's part (B, 2 x width) of pooled features."""
        return features[:, : 2 * self.width]

    def imagenet(self, features: Tensor) -> Tensor:
        """Scores (B, 1000) of ImageNet's classes, from the whole picture as the backbone was trained."""
        return self.backbone.classifier(features[:, : self.width])

    def kinship_inputs(self, imagenet: Tensor) -> Tensor:
        """What the kinship head sees: log P(category) by the table (B, 7), and the breeds' own scores (B, 118)."""
        breeds = imagenet[:, IMAGENET_DOGS]
        return torch.cat([(breeds.softmax(-1) @ self.table).log(), breeds - breeds.mean(-1, keepdim=True)], 1)

    def unfamiliarity(self, features: Tensor) -> Tensor:
        """One minus the mean cosine likeness (B,) to the likest training photos, 0 to 2; nearest neighbours tell the
        unfamiliar from the familiar better than a distance from the middle does (Sun et al. 2022, arXiv 2204.06507).
        """
        likeness = self._placed(features) @ self.remembered.T
        return 1 - likeness.topk(min(_NEIGHBOURS, len(self.remembered)), -1).values.mean(-1)

    def dog_margins(self, imagenet: Tensor) -> Tensor:
        """Log odds (B, 4) of a dog against wild canids, cats, other animals, and things, by ImageNet's answers."""
        dog = imagenet[:, IMAGENET_DOGS].logsumexp(-1)
        rivals = [
            torch.cat([imagenet[:, part] for part in parts], 1).logsumexp(-1) for parts in IMAGENET_RIVALS.values()
        ]
        return dog[:, None] - torch.stack(rivals, 1)

    def dog_margin(self, imagenet: Tensor) -> Tensor:
        """The least of the log odds of a dog against its rivals (B,), each from where few dogs lie; nats.

        One minimum instead of one sum: a thousand things together outweigh a dog that no single kind of rival would.
        """
        return (self.dog_margins(imagenet) - self.rivals).min(-1).values

    def _placed(self, features: Tensor) -> Tensor:
        """Pooled features along the principal directions, at length 1, (B, 128)."""
        return functional.normalize((features[:, : self.width] - self.usual) @ self.directions.T, dim=-1)

    def read(self, features: Tensor) -> tuple[Tensor, ...]:
        """What the heads say of pooled features.

        Returns:
            Texture (B, 7), kinship (B, 7) and band (B, 4) as log probabilities; P(dog) (B,); unfamiliarity (B,);
            P(one dog, and enough of it to judge the coat) (B,); the dog's margin over its rivals (B,), nats; what an
            observer would say of the coat, (B, 14) as in :mod:`training.image.looks`; and by that alone the log
            probabilities (B, 7) of the category.
        """
        imagenet, coat = self.imagenet(features), self.coat(features)
        looks = log_probabilities(self.looks(coat))
        return (
            self.texture(coat).log_softmax(-1),
            self.kinship(self.kinship_inputs(imagenet)).log_softmax(-1),
            ordinal_log_probabilities(self.band(coat)),
            imagenet.softmax(-1)[:, IMAGENET_DOGS].sum(-1),
            self.unfamiliarity(features),
            self.single(features)[:, 0].sigmoid(),
            self.dog_margin(imagenet),
            looks,
            self.outline(outline_inputs(looks)).log_softmax(-1),
        )

    def forward(self, picture: Tensor) -> tuple[Tensor, ...]:
        """A prepared picture (B, 3, H, W) to everything in :data:`coatclass.vision.network.OUTPUTS`."""
        fine, coarse = self.maps(picture)
        mask = self.mask_scores(fine, coarse).sigmoid()
        return (*self.read(self.pool(fine, coarse, mask)), mask)

    @torch.no_grad()
    def set_head(self, name: str, fitted: Linear) -> None:
        """Put a fitted linear model into a head."""
        head = getattr(self, name)
        head.weight.copy_(fitted.weight.reshape(head.weight.shape))
        head.bias.copy_(fitted.bias)

    @torch.no_grad()
    def set_familiar(self, features: Tensor) -> None:
        """Remember the training photos' pooled features (N, ...) along their principal directions."""
        whole = features[:, : self.width]
        self.usual.copy_(whole.mean(0))
        _, _, directions = torch.linalg.svd(whole - self.usual, full_matrices=False)
        self.directions.zero_()
        self.directions[: len(directions)] = directions[:_DIRECTIONS]
        self.remembered = self._placed(features)
        margins = self.dog_margins(self.imagenet(features))
        self.rivals.copy_(torch.quantile(margins.float(), _RARELY, 0))

    def take(self, state: dict[str, Tensor]) -> None:
        """Load a state that may remember another number of photos."""
        self.remembered = torch.empty_like(state["remembered"], device=self.usual.device, dtype=self.usual.dtype)
        self.load_state_dict(state)
