"""The network's own parts, and its form as a file, with weights that nobody has trained on dogs."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest

from tests.later import Later

pytestmark = pytest.mark.train
torch = Later("torch")


@pytest.fixture(scope="module")
def network() -> Any:
    from training.image.network import CoatNetwork, load_backbone

    torch.manual_seed(0)
    network = CoatNetwork(load_backbone("lite0"))
    network.set_familiar(torch.randn(40, network.pooled_width))
    return network.eval()


@pytest.fixture(scope="module")
def exported(network: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The network as a file in ONNX Runtime, its weights in single precision, so that only the form differs."""
    import onnxruntime

    from training.image import network as module
    from training.image.config import Config

    path = tmp_path_factory.mktemp("onnx") / "coat.onnx"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "HALF_FROM", 10**9)
        module.export_onnx(network, path, Config(name="any", size=64).preprocessing)
    return onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"])


@pytest.mark.parametrize(("height", "width"), [(64, 64), (64, 96), (160, 32), (32, 224), (96, 352)])
def test_padding_written_as_numbers_fits_every_side_that_is_a_multiple_of_32(
    network: Any, exported: Any, height: int, width: int
) -> None:
    """Against torch, which works its padding out from the sides."""
    picture = np.random.default_rng(0).normal(size=(1, 3, height, width)).astype(np.float32)
    with torch.inference_mode():
        expected = network(torch.from_numpy(picture))
    for found, wanted in zip(exported.run(None, {"picture": picture}), expected, strict=True):
        assert found.shape == wanted.shape
        assert np.allclose(found, wanted.numpy(), atol=1e-4)  # measured: 3e-6 at most


def test_a_remembered_photo_is_familiar_and_another_is_not(network: Any) -> None:
    """Unfamiliarity is a mean over the three likest: of a photo that is remembered three times it is nothing."""
    here = copy.deepcopy(network)
    seen, other = torch.randn(2, 60, network.pooled_width, generator=torch.Generator().manual_seed(0))
    here.set_familiar(seen.repeat(3, 1))
    with torch.inference_mode():
        assert here.unfamiliarity(seen).abs().max() < 1e-5
        assert here.unfamiliarity(other).min() > 0.3


def test_a_photo_remembered_once_is_still_the_likest_to_itself(network: Any) -> None:
    here = copy.deepcopy(network)
    seen, other = torch.randn(2, 60, network.pooled_width, generator=torch.Generator().manual_seed(0))
    here.set_familiar(seen)
    with torch.inference_mode():
        assert here.unfamiliarity(seen).max() < here.unfamiliarity(other).min()
        likeness = here._placed(seen) @ here.remembered.T
    assert torch.equal(likeness.argmax(1), torch.arange(60))


def test_a_state_that_remembers_another_number_of_photos_is_taken(network: Any) -> None:
    few = copy.deepcopy(network)
    few.set_familiar(torch.randn(5, network.pooled_width))
    few.take(network.state_dict())
    picture = torch.randn(1, 3, 64, 64)
    with torch.inference_mode():
        assert torch.equal(few(picture)[4], network(picture)[4])
