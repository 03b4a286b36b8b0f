"""The image model at run time: pixels to evidence, on ONNX Runtime and without torch."""

from coatclass.vision.network import (
    LOOKS,
    OUTPUTS,
    Look,
    VisionManifest,
    VisionModel,
    load_ahead,
    load_model,
    look,
    read,
    read_manifest,
)
from coatclass.vision.preprocess import Preprocessing, to_tensor

__all__ = [
    "LOOKS",
    "OUTPUTS",
    "Look",
    "Preprocessing",
    "VisionManifest",
    "VisionModel",
    "load_ahead",
    "load_model",
    "look",
    "read",
    "read_manifest",
    "to_tensor",
]
