"""The image model at run time: pixels to evidence, on ONNX Runtime and without torch."""

from coatclass.vision._large_pages import large_pages
from coatclass.vision.network import (
    LOOKS,
    OUTPUTS,
    POOLED,
    Look,
    SecondLook,
    VisionManifest,
    VisionModel,
    both_looks,
    load_model,
    look,
    no_doubt,
    pooled_looks,
    read,
    read_manifest,
)
from coatclass.vision.preprocess import Preprocessing, around_dog, to_tensor

__all__ = [
    "LOOKS",
    "OUTPUTS",
    "POOLED",
    "Look",
    "Preprocessing",
    "SecondLook",
    "VisionManifest",
    "VisionModel",
    "around_dog",
    "both_looks",
    "large_pages",
    "load_model",
    "look",
    "no_doubt",
    "pooled_looks",
    "read",
    "read_manifest",
    "to_tensor",
]
