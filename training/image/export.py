"""The network as an ONNX file: free sides, fixed padding, weights stored in half precision."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from coatclass.vision import Preprocessing
from coatclass.vision.network import OUTPUTS
from training.image.network import CoatNetwork

Axes = Mapping[str, dict[int, str]]
STRIDE = 32  # the backbone's five halvings
HALF_FROM = 1024  # smaller tensors stay in single precision: nothing to gain


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
